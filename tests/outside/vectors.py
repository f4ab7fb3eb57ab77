"""The conformance vectors, read by other libraries than the engine's: cbor2, cryptography, PyJWT, zstandard, hashlib.

Run by tests/outside/python. Ends with a line per file; a vector that does not hold ends it with what and why.
"""
import datetime
import hashlib
import json
import pathlib
import sys
import uuid

import cbor2
import jwt
import zstandard
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

TOP = pathlib.Path(__file__).resolve().parents[2]
sys.path.insert(0, str(TOP / "fixtures/guide"))
sys.dont_write_bytecode = True
import book  # noqa: E402  the guide's own bytes, held to the same vectors

ED25519_ORDER = 2**252 + 27742317777372353535851937790883648493  # RFC 8032 section 5.1
IDS = {"id", "doc", "by", "measured_by", "person", "device", "property", "card", "visit", "finding", "target", "issued_by",
       "brought_by", "released_by", "engine_card", "stands", "since", "record", "resumes"}
HEX = {"record_key", "login_key", "sha256"}


def file(name):
    return json.loads((TOP / "fixtures/vectors" / name).read_text())


def raw(value, name=""):
    """A payload's JSON as the CBOR has it: ids and hexadecimal as byte strings."""
    if isinstance(value, dict):
        return {key: raw(inner, key) for key, inner in value.items()}
    if isinstance(value, list):
        return [raw(inner, {"seen": "id", "of": "id", "records": "id", "heads": "sha256"}.get(name, "")) for inner in value]
    if isinstance(value, str) and name in IDS:
        return uuid.UUID(value).bytes
    return bytes.fromhex(value) if isinstance(value, str) and name in HEX else value


def deterministic(value):
    """RFC 8949 section 4.2.1, written from its text: keys in the bytewise order of their encodings, everything shortest."""
    if isinstance(value, dict):
        pairs = sorted((deterministic(key), deterministic(inner)) for key, inner in value.items())
        return head(5, len(pairs)) + b"".join(key + inner for key, inner in pairs)
    if isinstance(value, list):
        return head(4, len(value)) + b"".join(deterministic(inner) for inner in value)
    return cbor2.dumps(value)  # integers, strings, booleans: shortest already


def head(major, count):
    return bytes([major << 5 | count]) if count < 24 else bytes([major << 5 | 24, count])


def records():
    said = file("records.json")
    shop = uuid.UUID(said["shop"]).bytes
    secret = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(said["record_key_secret"]))
    assert secret.public_key().public_bytes_raw().hex() == said["record_key_public"]
    for case in said["good"] + said["carried"]:
        payload = bytes.fromhex(case["payload_cbor"])
        assert deterministic(raw(case["payload"])) == payload, case["kind"]
        # cbor2's canonical mode sorts keys by length first (RFC 7049 section 3.9). With text keys alone, whose length is in
        # their first bytes, that is the same order; with keys of several types it is not.
        assert cbor2.dumps(raw(case["payload"]), canonical=True) == payload, case["kind"]
        envelope = cbor2.loads(bytes.fromhex(case["envelope"]))
        assert envelope.tag == 18
        protected, unprotected, inner, signature = envelope.value
        assert (protected.hex(), dict(unprotected), inner, signature.hex()) == (case["protected_cbor"], {}, payload, case["signature"])
        assert cbor2.loads(protected) == {1: -8, 3: book.RECORD_TYPE, 4: uuid.UUID(said["device"]).bytes}
        signed = cbor2.dumps(["Signature1", protected, shop, payload])
        assert signed.hex() == case["to_be_signed"] and secret.sign(signed) == signature, "Ed25519 gives one signature"
    assert cbor2.dumps({100: 0, -1: 0}, canonical=True) != deterministic({100: 0, -1: 0}), "the caveat no longer holds"
    at_verify = 0
    for case in said["refused"]:
        if case["step"] != "verify":
            continue
        at_verify += 1
        protected, _, payload, signature = cbor2.loads(bytes.fromhex(case["envelope"])).value
        key = bytes.fromhex(case.get("record_key_public", said["record_key_public"]))
        try:
            Ed25519PublicKey.from_public_bytes(key).verify(signature, cbor2.dumps(["Signature1", protected, shop, payload]))
            taken = True
        except InvalidSignature:
            taken = False
        # A library that takes a small-order key is not wrong by RFC 8032; a front end must refuse the key itself.
        assert not taken or key[0] == 1 and not any(key[1:]), case["what"]
    assert int.from_bytes(bytes.fromhex(said["good"][0]["signature"])[32:], "little") < ED25519_ORDER
    return f"{len(said['good'])} signed again to the same bytes, {len(said['carried'])} carried, {at_verify} refused by their signature"


def changes():
    said = file("changes.json")
    for one in [said["genesis"] | {"doc": said["doc"]}, *said["other_geneses"]]:
        assert book.genesis_hash(uuid.UUID(one["doc"]).bytes).hex() == one["hash"]
        assert hashlib.sha256(bytes.fromhex(one["change"])[8:]).hexdigest() == one["hash"]
    for case in said["changes"]:
        recipe = case["recipe"]
        named = {name: bytes.fromhex(recipe[name]) for name in ("hash", "actor")}
        listed = {name: [bytes.fromhex(one) for one in recipe[name]] for name in ("deps", "records")}
        assert book.change_hash(uuid.UUID(said["doc"]).bytes, recipe | named | listed) == named["hash"], case["what"]
        if "change" in case:
            change = bytes.fromhex(case["change"])
            assert change[:4].hex() == "856f4a83" and hashlib.sha256(change[8:]).digest() == named["hash"]
    return f"{len(said['changes'])} built again to the same hash"


def expanded(doc, short):
    """A short list in full: what a recipe leaves out follows from the one before it. INTEGRATORS.md section 6."""
    whole = []
    for n, one in enumerate(short):
        before = whole[-1] if whole else None
        covers = n + 1 < len(short) and not {"actor", "deps"} & short[n + 1].keys()
        assert "hash" in one or covers, "no hash covers it"
        assert before or {"actor", "seq", "start_op", "deps"} <= one.keys(), "it leaves out what nothing before it says"
        assert "seq" in one or "actor" not in one, "another actor's number"
        at = min(max(book.opened(one["records"][0])[1]["at"], 0), 32_503_680_000_000)
        recipe = {"time": at, **one}
        if before:
            after = {"actor": before["actor"], "seq": before["seq"] + 1, "start_op": before["start_op"] + len(before["records"]),
                     "deps": [before["hash"]]}
            recipe = after | recipe
        recipe["hash"] = book.change_hash(doc, recipe)
        assert one.get("hash", recipe["hash"]) == recipe["hash"], "not the change that its hash names"
        whole.append(recipe)
    return whole


def unpacked_list(segment, dictionary=(TOP / "sync-core/src/change/dictionary-1.bin").read_bytes()):
    assert segment[0] == 1, "another dictionary"
    reader = zstandard.ZstdDecompressor(dict_data=zstandard.ZstdCompressionDict(dictionary))
    return cbor2.loads(reader.decompress(segment[1:], max_output_size=32 << 20))


def exchange():
    said = file("exchange.json")
    short = segments = 0
    for step in said["steps"]:
        for body in (step["request"], step["answer"]):
            plain = bytes.fromhex(body["cbor"])
            unpacked = zstandard.ZstdDecompressor().decompressobj().decompress(bytes.fromhex(body["zstd"]))
            assert unpacked == plain
            message = cbor2.loads(plain)
            for doc in message["docs"]:
                recipes = doc.get("recipes", [])
                short += any("actor" not in recipe for recipe in recipes)
                expanded(doc["id"], recipes)
                for segment in doc.get("segments", []):
                    segments += len(expanded(doc["id"], unpacked_list(segment)))
    assert short and segments
    for case in said["refused_short"]:
        try:
            expanded(uuid.UUID(case["doc"]).bytes, cbor2.loads(bytes.fromhex(case["cbor"])))
        except AssertionError:
            continue
        raise SystemExit(f"{case['what']}: taken")
    return f"{len(said['steps'])} round trips read, {short} short lists, {segments} changes from segments"


def tokens():
    said = file("tokens.json")
    key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(said["login_key_public"]))
    secret = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(said["login_key_secret"]))
    whole = [case for case in said["cases"] if case["code"] is None]
    for case in whole:
        claims = jwt.decode(case["assertion"], key, ["EdDSA"], audience=said["issuer"], options={"verify_exp": False, "verify_iat": False})
        assert claims == case["claims"]
        again = jwt.encode(claims, secret, "EdDSA", {"typ": case["header"]["typ"], "kid": said["device"]})
        read = jwt.decode(again, key, ["EdDSA"], audience=said["issuer"], options={"verify_exp": False, "verify_iat": False})
        assert read == claims and jwt.get_unverified_header(again) == case["header"]
    return f"{len(whole)} read and made again"


def gross(said, go, no_go, far_tenths):
    """What is asked before anything is turned: how far outside a range a bracket surely lies, beside the range's width."""
    low, high = said["low_tenth_um"], said["high_tenth_um"]
    far = lambda beyond: beyond * 10 > (high - low) * far_tenths
    if go is not None and go > high:
        return "far-loose" if far(go - high) else None
    if no_go is None or no_go > low:
        return None
    if go is None:
        return "nothing-goes" if no_go <= 2 * 254 else "none-went"
    return "far-tight" if far(low - no_go) else None


def in_season(day, season):
    if not season:
        return True
    ends = [(season[end]["month"], season[end]["day"]) for end in ("from", "to")]
    inside = ends[0] <= (day.month, day.day), (day.month, day.day) <= ends[1]
    return all(inside) if ends[0] <= ends[1] else any(inside)


def cards():
    said = file("cards.json")
    asked = 0
    for case in said["cards"]:
        body, means, what = case["body"], case["means"], case["what"]
        assert ("intake" in body, "exhaust" in body) == ((not body.get("hydraulic"),) * 2), what
        for side in ("intake", "exhaust"):
            # A figure is the middle of its range and is set to; alone it has a thou, or 0.02 mm, either side.
            if f"{side}_said" in body:
                low, high, aim = (body[side][end] for end in ("low_tenth_um", "high_tenth_um", "aim_tenth_um"))
                assert low + high == 2 * aim and (body[f"{side}_said"] == "tolerance" or high - aim in (254, 200)), what
        sure = {"spark": {"plug-leads-off", "plug-wells-clean"}, "compression": {"stop-held", "decompress"}}
        kind = sure.get(body.get("ignition"), set().union(*sure.values()))
        assert {one for one in means["before"] if any(one in of for of in sure.values())} == kind, what
        firing = body.get("firing")
        if firing:
            order, angles = firing["order"], firing["degrees"]
            assert sorted(order) == list(range(1, body["cylinders"] + 1)) and sum(angles) == 720, what
            at = {cylinder: sum(angles[:n]) for n, cylinder in enumerate(order)}
            for cylinder, after, overlap in zip(range(1, body["cylinders"] + 1), means["fires_after"], means["in_overlap"]):
                n = order.index(cylinder)
                assert after == {"cylinder": order[n - 1], "degrees": angles[n - 1]}, what
                assert overlap == next((one for one in order if (at[one] - at[cylinder]) % 720 == 360), None), what
        else:
            assert not any(means["fires_after"] + means["in_overlap"]), what
        for one in means["asked_first"]:
            asked += 1
            found = gross(body[one["side"]], one["go_tenth_um"], one["no_go_tenth_um"], body.get("far_tenths", 20))
            assert found == one["gross"], f"{what}: {one}, {found}"
    for case in said["due"]:
        days, day = int(case["every_h"] * 7 / case["hours_per_week"]), datetime.date.fromisoformat(case["checked"])
        while days:
            day += datetime.timedelta(1)
            days -= in_season(day, case["season"])
        assert day.isoformat() == case["due"], f"{case['what']}: {day}"
    return f"{len(said['cards'])} cards mean what is said, {asked} brackets asked about, {len(said['due'])} due days counted"


for check in (records, changes, cards, exchange, tokens):
    print(f"{check.__name__}.json: {check()}")
