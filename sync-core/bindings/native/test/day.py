"""Two phones in Python against the real server: `python day.py FOLDER-OF-PROGRAMS`, with tappet_kit on the path.

The shop, its people and its machines are invented. Ends with one line; an assertion says what did not hold.
"""
import hashlib
import json
import os
import pathlib
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request

from tappet_kit import (
    Grade, KeysAtRest, LeafTried, LogIn, NewReading, NewVisit, Stage, TappetError, TappetKit, Verdict, Watcher, deference, salvage,
)

programs = pathlib.Path(sys.argv[1])
THOU = 254
# Only begins as a JPEG does, which is all that is looked at.
PICTURE = b"\xff\xd8\xff\xe0 an invented meter"


class Server:
    """The server's program on a free loopback port, and the office's terminal."""

    def __init__(self, folder):
        self.desk = folder / "office.db"
        command = [programs / "tappetbook-server", "--data", folder / "shop", "--listen", "127.0.0.1:0", "--shop-name", "Green End Mowers",
                   "--time-zone", "UTC", "--office-name", "Ana Reeve"]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        greeting = ""
        while "start again" not in greeting:
            line = self.process.stdout.readline()
            assert line, f"the server ended: {greeting}"
            greeting += line
        self.url, first = (greeting.split(mark)[1].split()[0] for mark in ("--server ", "--code "))
        self.office("enrol", "--server", self.url, "--code", first)

    def office(self, *words):
        ran = subprocess.run([programs / "tappet", "--json", "--book", self.desk, *words], capture_output=True, text=True)
        assert ran.returncode in (0, 3), f"{words}: {ran.stdout}{ran.stderr}"
        return json.loads(ran.stdout)

    def code(self, person):
        return self.office("office", "device", "code", person)["code"]

    def stop(self):
        self.process.terminate()
        self.process.stdout.read()
        assert self.process.wait(30) == 0


class Phone:
    """What a front end adds to the kit: HTTP."""

    def __init__(self, kit, server):
        self.kit, self.server = kit, server

    def send(self, call, patience=5):
        request = urllib.request.Request(self.server + call.path, data=call.body, headers=call.headers, method=call.method)
        try:
            with urllib.request.urlopen(request, timeout=20) as answer:
                return answer.status, answer.read()
        except urllib.error.HTTPError as problem:
            # The shop asks a device that exchanges often to wait.
            if problem.code == 429 and patience:
                time.sleep(int(problem.headers["Retry-After"]))
                return self.send(call, patience - 1)
            return problem.code, problem.read()

    def enrol(self, code, name):
        return self.kit.enrolled(*self.send(self.kit.enrol_call(code, name)), self.server)

    def exchange(self, hand_over_only=False):
        while self.kit.needs_log_in():
            self.kit.logged_in(*self.send(self.kit.log_in_call()))
        rounds = [self.kit.exchanged(*self.send(self.kit.exchange_call(hand_over_only)))]
        # A shop that only hears keeps saying that there is more to come: then what was taken tells when to stop.
        while rounds[-1].more and (rounds[-1].taken or not hand_over_only):
            rounds.append(self.kit.exchanged(*self.send(self.kit.exchange_call(hand_over_only))))
        while self.kit.verify_deferred(2048):
            pass
        return rounds


def a_photo_reaches_the_shop(pia, bram, machine):
    """After the record, the picture: and another device of the shop's gets the very bytes."""
    [due] = pia.kit.photos_due()
    assert due.ready and (due.photo.doc, due.photo.caption) == (machine, "meter") and due.photo.at_shop_since_ms is None, due
    sha256 = due.photo.sha256
    assert pia.kit.status().photos_waiting == 1
    refused("role-may-not", pia.kit.photo_let_go, machine, sha256)
    pia.kit.photo_sent(machine, sha256, *pia.send(pia.kit.photo_call(machine, sha256, PICTURE)))
    assert pia.kit.photos_due() == [] == pia.kit.photos_to_let_go() and pia.kit.status().photos_waiting == 0
    [own] = pia.kit.own_photos()
    assert own.let_go_ms - own.at_shop_since_ms == 7 * 24 * 3600 * 1000, own
    asked = urllib.request.Request(f"{bram.server}/v1/photos/{machine}/{sha256}", headers={"authorization": f"Bearer {bram.kit.token()}"})
    with urllib.request.urlopen(asked, timeout=20) as answer:
        assert (answer.read(), answer.headers["content-type"]) == (PICTURE, "image/jpeg")
    # Bytes that are not that photo's any more are not sent.
    refused("given-unreadable", pia.kit.photo_call, machine, sha256, PICTURE[:-1])
    refused("entry-invalid", pia.kit.add_photo, machine, b"a text", "no picture")


class Told(Watcher):
    """Keeps what it was told, asks the kit back, and fails once."""

    def __init__(self, kit):
        self.kit, self.documents, self.fail = kit, set(), True

    def moved(self, moved):
        if self.fail:
            self.fail = False
            raise RuntimeError("a front end's mistake")
        assert self.kit.status().mark >= moved.mark
        self.documents |= set(moved.documents)


def refused(code, step, *given):
    try:
        step(*given)
    except TappetError.NotDone as error:
        assert error.code == code, f"{error.code} and not {code}: {error.sentence}"
        assert error.sentence[0].isupper() and error.sentence[-1] in ".?!", error.sentence
        return error.sentence
    raise AssertionError(f"{step.__name__}{given} was not refused")


def reading(valve, stage, go=None, no_go=None, adjusted=False):
    return NewReading(valve=valve, stage=stage, go_tenth_um=go and go * THOU, no_go_tenth_um=no_go and no_go * THOU, leaves_tenth_um=[],
                      adjusted=adjusted, cold=None)


def visit(confirmed=True, meter=None):
    return NewVisit(cold=True, engine_tenth_c=None, cautions_confirmed=confirmed, purpose="valve check", meter_tenth_h=meter)


def found_shop(server):
    office = server.office
    office("office", "--offline", "card", "add", "--name", "Invented twin", "--cylinders", "2", "--intake", "4-6", "--exhaust", "5-7",
           "--aim-intake", "5", "--aim-exhaust", "6", "--source-manual", "Invented manual", "--source-page", "12", "--hours", "100",
           "--months", "6", "--homeowner-months", "12", "--thread", "M6x1", "--rocker", "rocker-stud-nut", "--ratio", "1.3")
    office("office", "--offline", "property", "add", "Reed Court", "--address", "1 Reed Lane", "--access", "")
    office("office", "--offline", "machine", "add", "Q-1", "--property", "Reed Court", "--card", "Invented twin", "--duty", "commercial",
           "--about", "zero-turn mower")
    for name, role in (("Pia Larkin", "tech"), ("Bram Holloway", "lead")):
        office("office", "--offline", "person", "add", name, "--role", role)
    office("office", "--offline", "assign", "Pia Larkin", "Reed Court")
    office("exchange")


def enrolment(pia, server):
    kit = pia.kit
    assert not kit.status().enrolled and kit.needs_log_in()
    refused("not-enrolled", kit.round)
    refused("not-enrolled", kit.exchange_call, False)
    sentence = refused("code-invalid", pia.enrol, "AAAAA-AAAAA", "pia's phone")
    assert "code" in sentence, sentence
    assert not kit.status().enrolled
    enrolled = pia.enrol(server.code("Pia Larkin"), "pia's phone")
    assert (enrolled.shop, enrolled.person, enrolled.role) == ("Green End Mowers", "Pia Larkin", "tech")
    refused("log-in-first", kit.exchange_call, False)
    refused("enrolled-already", kit.enrol_call, "AAAAA-AAAAA", "again")
    assert kit.logged_in(*pia.send(kit.log_in_call())) == LogIn.DONE
    pia.exchange()
    status = kit.status()
    assert status.measures and status.signs_off and status.time_zone and status.machines >= 1
    assert status.enrolled and status.waiting == 0 and status.unverified == 0 and status.last_exchange_ms <= status.now_ms
    [stop] = json.loads(kit.round())
    assert [line["tag"] for line in stop["due"]] == ["Q-1"]
    return kit.find_machine("Q-1")


def a_visit(kit, machine):
    """Offline, from here to the finish."""
    assert len(kit.cautions(machine)) >= 5 and "manual" in deference()
    refused("entry-invalid", kit.open_visit, machine, visit(confirmed=False))
    opened = kit.open_visit(machine, visit(meter=2605))
    assert opened.hours.doubt is None and kit.open_visit_of(machine) == opened.visit
    assert json.loads(kit.guide(machine))["next"] == "1I"
    # The bracket closes in on the range as leaves are tried; a gap of 2.5 thou.
    tried, leaf = [], kit.first_leaf(machine, "1I")
    assert leaf.words.endswith("thou"), leaf
    while True:
        tried.append(LeafTried(thickness_tenth_um=leaf.thickness_tenth_um, leaves_tenth_um=[], goes=leaf.thickness_tenth_um <= 635))
        trial = json.loads(kit.trial(machine, "1I", tried))
        if trial["next"]["ask"] != "try":
            break
        leaf.thickness_tenth_um = trial["next"]["leaf"]["feeler"]["thickness_tenth_um"]
        assert len(tried) < 10
    assert trial["judged"] == {"verdict": "tight"} and trial["next"]["ask"] == "how-tight", trial
    refused("entry-invalid", kit.take_reading, machine, reading("1I", Stage.FOUND, 7, 6))
    refused("given-unreadable", kit.take_reading, machine, reading("9X", Stage.FOUND, 5, 6))
    found = kit.take_reading(machine, reading("1I", Stage.FOUND, 2, 3))
    assert (found.judged, found.verdict, found.bracket) == (Verdict.TIGHT, "tight", "2 to 3 thou"), found
    assert found.turn and not found.turn.most.closes and found.turn.most.degrees_milli < found.turn.least.degrees_milli < 0 and found.visit == opened.visit
    assert json.loads(kit.guide(machine))["valves"][0]["step"] == "adjust"
    for stage in (Stage.SET, Stage.LEFT):
        after = kit.take_reading(machine, reading("1I", stage, 5, 6, adjusted=stage == Stage.SET))
        assert after.judged == Verdict.IN_SPEC and after.turn is None, after
    assert kit.take_reading(machine, reading("2I", Stage.FOUND, 4, 6)).judged == Verdict.IN_SPEC
    open_bracket = kit.take_reading(machine, reading("2E", Stage.FOUND, 5))
    assert open_bracket.judged == Verdict.NOT_SETTLED and open_bracket.next_leaf, open_bracket
    kit.take_reading(machine, reading("2E", Stage.FOUND, 6, 7))
    hold = kit.add_finding(machine, Grade.HOLD, "blade cracked")
    kit.clear_finding(hold, "blade replaced")
    kit.add_note(machine, "gate left open")
    slip = kit.add_note(machine, "on the wrong machine")
    assert slip in kit.to_take_back(machine)
    kit.take_back(slip, "wrong machine")
    assert slip not in kit.to_take_back(machine)
    # What was noted is on top; what was taken back is not.
    assert [note["text"] for note in json.loads(kit.machine(machine))["notes"]] == ["gate left open"]
    # A machine that the list lacks: entered, and found by what people call it.
    place = json.loads(kit.machine(machine))["property"]
    unlisted = kit.add_machine(json.dumps({"tag": "Z-77", "property": place, "engine_card": json.loads(kit.engine_cards())[0]["card"]}))
    page = json.loads(kit.due_page(json.dumps({"find": "z-77"})))
    assert [line["machine"] for line in page["lines"]] == [unlisted] and page["found"] == 1 < page["all"]
    assert json.loads(kit.round_page(json.dumps({"find": "z-77"})))["stops"][0]["found"] == 1
    refused("given-unreadable", kit.due_page, '{"colour": "red"}')
    refused("entry-invalid", kit.add_machine, json.dumps({"tag": "z-77", "property": place}))
    photo = kit.add_photo(machine, PICTURE, "meter")
    assert photo.sha256 == hashlib.sha256(PICTURE).hexdigest()
    doubt = kit.read_hours(machine, 26050).doubt
    assert doubt and "2605" in doubt.replace(".", ""), doubt
    open_still = kit.left_open(machine, opened.visit)
    assert any("1E" in one or "cylinder 1 exhaust" in one.lower() for one in open_still), open_still
    assert kit.status().waiting > 8
    return opened.visit


def disagreement(pia, bram, machine):
    """Both read 1E with no signal; then each exchanges."""
    mine = pia.kit.take_reading(machine, reading("1E", Stage.FOUND, 9, 10))
    assert not mine.contested
    bram.kit.open_visit(machine, visit())
    bram.kit.take_reading(machine, reading("1E", Stage.FOUND, 5, 6))
    for phone in (pia, bram, pia):
        phone.exchange()
    said = [json.loads(phone.kit.contested()) for phone in (pia, bram)]
    assert said[0] == said[1], "both devices say the same"
    [slot] = [one for one in said[0] if one["slot"].startswith("lash/")]
    assert (slot["title"], slot["slot"]) == ("Q-1", "lash/1E/found"), slot
    readings = {one["by"]: (one["words"], one["stands"]) for one in slot["readings"]}
    assert readings.keys() == {"Pia Larkin", "Bram Holloway"} and slot["reason"].startswith("lead over tech"), slot
    assert readings["Bram Holloway"][1] and not readings["Pia Larkin"][1], readings
    assert "9 to 10 thou" in readings["Pia Larkin"][0] and "5 to 6 thou" in readings["Bram Holloway"][0], readings
    assert json.loads(pia.kit.slot(machine, "lash/1E/found")) == slot


def the_readmes_example(folder, server):
    """The README's own text, on one more phone of Pia's."""
    readme = (pathlib.Path(__file__).resolve().parents[1] / "README.md").read_text()
    text = readme.split("```python\n")[1].split("```")[0]
    assert len(text.splitlines()) <= 60
    text = text.replace("http://127.0.0.1:7878", server.url).replace("book.db", str(folder / "readme.db"))
    said = []
    answers = {"input": lambda asked: server.code("Pia Larkin") if "One-time code" in asked else "",
               "print": lambda *words: said.append(" ".join(map(str, words)))}
    exec(compile(text, "README.md", "exec"), answers)
    printed = "\n".join(said)
    for wanted in ("Reed Court ['Q-1', 'Z-77']", "tight Tight: 2 to 3 thou", "0 records still wait", "Q-1 clearance 1E"):
        assert wanted in printed, f"{wanted} is not in:\n{printed}"
    assert answers["kit"].status().waiting == 0


def sealed_row(file):
    """The book's one row of sealed keys, and whether its identity has any beside it; by Python's own SQLite, of a copy."""
    with tempfile.TemporaryDirectory() as aside:
        for part in file.parent.glob(f"{file.name}*"):
            shutil.copy(part, aside)
        book = sqlite3.connect(pathlib.Path(aside) / file.name)
        [(name, sealed)] = book.execute("SELECT key, value FROM meta WHERE key LIKE 'keys/%'").fetchall()
        [(identity,)] = book.execute("SELECT value FROM meta WHERE key = 'identity'").fetchall()
        book.close()
    return name, bytes.fromhex(json.loads(sealed)), json.loads(identity)


def keys_at_rest(folder, server):
    """A phone of before, with its keys in the clear; then the app has a key for it."""
    file = folder / "keys.db"
    phone = Phone(TappetKit.open(str(file)), server.url)
    phone.enrol(server.code("Pia Larkin"), "a phone of before")
    phone.exchange()
    assert phone.kit.status().keys == KeysAtRest.CLEAR
    phone.kit = None
    book = sqlite3.connect(file)
    [(identity,)] = book.execute("SELECT value FROM meta WHERE key = 'identity'").fetchall()
    book.close()
    private = [bytes.fromhex(json.loads(identity)["keys"][which]) for which in ("record", "login")]
    forms = [form for key in private for form in (key, key.hex().encode(), key.hex().upper().encode())]

    def held():
        return [part.name for part in folder.glob("keys.db*") if any(form in part.read_bytes() for form in forms)]

    assert held() == ["keys.db"], "in the clear, they are found"
    key = os.urandom(32)
    phone.kit = TappetKit.open_with_key(str(file), key)
    assert phone.kit.status().keys == KeysAtRest.SEALED and held() == []
    phone.exchange()
    phone.kit = None
    assert held() == []
    name, sealed, identity = sealed_row(file)
    assert name == f"keys/{identity['device']}" and len(sealed) == 1 + 24 + 64 + 16 and "keys" not in identity
    before = file.read_bytes()
    for code, opened in (("book-sealed", lambda: TappetKit.open(str(file))),
                         ("key-wrong", lambda: TappetKit.open_with_key(str(file), os.urandom(32))),
                         ("given-unreadable", lambda: TappetKit.open_with_key(str(file), key[:31]))):
        sentence = refused(code, opened)
        assert "nothing was" in sentence, sentence
    assert file.read_bytes() == before, "and nothing was changed"
    reading_only = Phone(TappetKit.open_without_keys(str(file)), server.url)
    assert reading_only.kit.status().keys == KeysAtRest.LOCKED and json.loads(reading_only.kit.round())
    assert reading_only.kit.save_unsent().bundles
    refused("book-sealed", reading_only.kit.log_in_call)
    reading_only.kit = None
    phone.kit = TappetKit.open_with_key(str(file), key)
    phone.exchange()


def a_damaged_book(folder, server, machine, other):
    """What a book that does not open has alone goes to another phone: each page of its file gone bad in turn."""
    file, bad = folder / "broken.db", folder / "bad.db"
    phone = Phone(TappetKit.open_with_key(str(file), os.urandom(32)), server.url)
    phone.enrol(server.code("Pia Larkin"), "a phone that breaks")
    phone.exchange()
    note = phone.kit.add_note(machine, "kept by the phone that broke")
    phone.kit = None
    whole, saved = file.read_bytes(), None
    for page in range(1, len(whole) // 4096):
        bad.write_bytes(whole[: page * 4096] + b"\xa5" * 4096 + whole[(page + 1) * 4096 :])
        before = bad.read_bytes()
        try:
            TappetKit.open_without_keys(str(bad)).status()
        except TappetError.NotDone as error:
            if error.code in ("not-a-book", "book-damaged"):
                try:
                    saved = salvage(str(bad))
                except TappetError.NotDone as lost:
                    assert lost.code in ("not-a-book", "book-damaged"), lost.code
                if saved and saved.changes and not saved.unreadable:
                    break
        saved = None
    assert saved and (saved.changes, saved.documents, saved.quarantined) == (1, 1, 0), saved
    assert bad.read_bytes() == before, "the damaged book is as it was"
    [bundle] = saved.bundles
    taken = other.kit.take_bundle(bundle)
    # With it comes the card of the phone that broke.
    assert taken.taken == 2 and not taken.refused, taken
    assert note in [line["record"] for line in json.loads(other.kit.history(machine))]
    refused("book-unwritable", salvage, str(folder / "none.db"))


def day(folder, server):
    found_shop(server)
    file, key = str(folder / "pia.db"), os.urandom(32)
    pia = Phone(TappetKit.open_with_key(file, key), server.url)
    bram = Phone(TappetKit.open(str(folder / "bram.db")), server.url)
    refused("book-in-use", TappetKit.open_with_key, file, key)
    machine = enrolment(pia, server)
    told = Told(pia.kit)
    pia.kit.watch(told)
    mark = pia.kit.status().mark
    visit_id = a_visit(pia.kit, machine)
    # The machine of the visit, and the one that the list lacked.
    moved = set(pia.kit.moved(mark).documents)
    assert told.documents == moved and machine in moved and len(moved) == 2 and not told.fail
    pia.kit.watch(None)

    # The book survives its program: closed and opened again, everything is there and still due.
    waiting = pia.kit.status().waiting
    del told.kit
    pia.kit = None
    pia.kit = TappetKit.open_with_key(file, key)
    assert pia.kit.status().waiting == waiting and pia.kit.open_visit_of(machine) == visit_id

    # Carried by hand: the other phone sees the visit before the shop does.
    bram.enrol(server.code("Bram Holloway"), "bram's phone")
    bram.exchange()
    bundle = pia.kit.save_unsent()
    [whole] = bundle.bundles
    taken = bram.kit.take_bundle(whole)
    assert bundle.unsent == taken.taken > 8 and not taken.refused, (bundle.unsent, taken)
    assert bram.kit.take_bundle(whole).taken == 0
    refused("unreadable", bram.kit.take_bundle, b"no bundle")

    disagreement(pia, bram, machine)

    finished = pia.kit.finish_visit(machine, "left tidy")
    assert finished.visit == visit_id and not finished.complete and finished.open, finished
    report = pia.exchange(hand_over_only=True)[0]
    assert report.taken and not report.refused and not report.received, report
    assert pia.exchange()[0].received and pia.kit.status().waiting == 0, "every record has its receipt"
    bram.exchange()
    a_photo_reaches_the_shop(pia, bram, machine)
    seen = json.loads(bram.kit.machine(machine))
    lash = {one["valve"]: one for one in seen["lash"]}
    assert (lash["1I"]["words"], lash["1I"]["by_name"], lash["1I"]["judged"]) == ("5 to 6 thou", "Pia Larkin", {"verdict": "in-spec"}), lash["1I"]
    assert any(one["visit"] == visit_id and one["by_name"] == "Pia Larkin" for one in seen["visits"]), seen["visits"]
    assert len(json.loads(bram.kit.history(machine))) > 10
    assert json.loads(bram.kit.machine(machine))["lash"] == json.loads(pia.kit.machine(machine))["lash"]
    for phone in (pia, bram):
        proved = json.loads(phone.kit.verify())
        assert proved["faults"] == [] and json.loads(phone.kit.quarantine()) == [], proved
    sheet = server.office("office", "day-sheet")
    assert [one["slot"] for one in sheet["contested"]] == ["hours", "lash/1E/found"], sheet["contested"]

    a_damaged_book(folder, server, machine, bram)
    keys_at_rest(folder, server)
    the_readmes_example(folder, server)
    server.office("office", "device", "revoke", "pia's phone", "--because", "lost")
    pia.kit.add_note(machine, "still works with no shop")
    assert "revoked" in refused("device-revoked", pia.exchange)
    return proved["records"]


with tempfile.TemporaryDirectory() as name:
    shop = Server(pathlib.Path(name))
    try:
        records = day(pathlib.Path(name), shop)
        shop.stop()
    finally:
        shop.process.kill()
        shop.process.wait()
print(f"Python: two phones and the server are level on {records} records")
