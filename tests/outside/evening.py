#!/usr/bin/env python3
"""The office's evening in a real browser, on the demo's shop: sign in, see what is contested, rule, watch the sheet renew itself
while a phone exchanges, close the day, print the client's record; then every page at phone and desk width.

    evening.py SERVER CODE NEWS AXE PICTURES

CODE is a one-time code of an office person, NEWS a shell command that makes a phone exchange something new, AXE the file axe.min.js,
PICTURES a folder. Ends with a sentence and exit code 1 at the first thing that is not as it should be.

Looks from outside: Selenium drives Debian's Chromium; axe-core judges WCAG 2.2 A and AA; pypdf counts the printed sheets.
"""
import base64, io, pathlib, subprocess, sys, time, urllib.parse
import pypdf
from selenium import webdriver
from selenium.common.exceptions import StaleElementReferenceException, WebDriverException
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

SERVER, CODE, NEWS, AXE, PICTURES = sys.argv[1:]
PASSPHRASE = "four plain words do"
WIDTHS = {"phone": 390, "desk": 1280}
AXE = pathlib.Path(AXE).read_text()
PICTURES = pathlib.Path(PICTURES)
PICTURES.mkdir(parents=True, exist_ok=True)

options = webdriver.ChromeOptions()
options.binary_location = "/usr/bin/chromium"
for flag in ["--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--hide-scrollbars", "--disable-background-networking"]:
    options.add_argument(flag)
options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
browser = webdriver.Chrome(options=options, service=webdriver.ChromeService("/usr/bin/chromedriver"))
browser.set_page_load_timeout(60)


def must(true, what):
    """Holds at once, or, of a condition, within the time that a busy machine takes to answer a form."""
    if callable(true):
        return until(what, true)
    if not true:
        shot("failed")
        raise SystemExit(f"{browser.current_url}: {what}\n{text()[:1500]}")


def shot(name):
    (PICTURES / f"{name}.png").write_bytes(base64.b64decode(browser.execute_cdp_cmd(
        "Page.captureScreenshot", {"captureBeyondViewport": True, "format": "png"})["data"]))


def size(width):
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride",
                            {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False})


def text():
    return browser.find_element(By.TAG_NAME, "body").text


def at(path):
    browser.get(SERVER + path)


def here():
    return urllib.parse.urlparse(browser.current_url).path


def fill(**fields):
    for name, value in fields.items():
        field = browser.find_element(By.NAME, name)
        field.clear()
        field.send_keys(value)


def press(words, within=None):
    """Presses the button with these words."""
    found = [b for b in (within or browser).find_elements(By.TAG_NAME, "button") if words in b.text]
    must(len(found) >= 1, f"no button says {words!r}")
    found[0].click()


def until(what, true, seconds=60):
    """Waits until it holds. A page that is just changing (nothing there, or what was there is gone) is asked again."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        try:
            if true():
                return
        except WebDriverException:
            pass
        time.sleep(0.2)
    must(False, what)


def again(action):
    """Does it, and once more where the sheet renewed itself under our hands."""
    for _ in range(5):
        try:
            return action()
        except StaleElementReferenceException:
            time.sleep(0.5)
    return action()


def keyboard(*keys):
    for key in keys:
        browser.switch_to.active_element.send_keys(key)


def complaints():
    """What the browser itself complains about: scripts, styles, policies."""
    return [entry["message"] for entry in browser.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")]


# -- Signing in -------------------------------------------------------------------------------------------------------
size(WIDTHS["desk"])
at("/")
must(here() == "/office/sign-in", "whoever is not signed in is sent to the sign-in")
must(browser.get_cookies() == [], "no cookie before anybody signs in")
shot("sign-in-desk")
browser.find_element(By.PARTIAL_LINK_TEXT, "one-time code").click()
fill(code=CODE, passphrase=PASSPHRASE, again="something else")
press("Set it and sign in")
must(lambda: "differ" in text(), "two passphrases that differ are refused")
at("/office/first")
fill(code=CODE, passphrase=PASSPHRASE, again=PASSPHRASE)
press("Set it and sign in")
must(lambda: here() == "/office" and "Day sheet of" in text(), "the code and a passphrase open the day sheet")
cookie = browser.get_cookies()[0]
must(cookie["httpOnly"] and cookie["sameSite"] == "Strict" and cookie["path"] == "/office", f"the cookie is closed: {cookie}")
press("Sign out")
must(lambda: here() == "/office/sign-in", "signed out")
at("/office/due")
must(here() == "/office/sign-in", "signed out means signed out")
fill(name="Odile Marsh", passphrase="not the passphrase")
press("Sign in")
must(lambda: "no such name" in text(), "a wrong passphrase is refused in words")
# With the keyboard alone.
at("/office/sign-in")
keyboard("Odile Marsh", Keys.TAB)
keyboard(PASSPHRASE, Keys.ENTER)
until("signed in with the keyboard alone", lambda: here() == "/office" and "Day sheet of" in text())
keyboard(Keys.TAB)
must(browser.switch_to.active_element.text == "To the content", "the first tab stop leads past the navigation")
must(any(c["name"] == "tappet_session" for c in browser.get_cookies()), "a session")
complaints()

FIRST = "#sheet .matter[data-kind=contested]"
# -- Contested, and ruled on -------------------------------------------------------------------------------------------
count = lambda: len(browser.find_elements(By.CSS_SELECTOR, FIRST))
contested = count()
must(contested >= 1, "the demo's day leaves something contested")
heading = browser.find_element(By.CSS_SELECTOR, FIRST + " h3").text
readings = browser.find_element(By.CSS_SELECTOR, FIRST).find_elements(By.TAG_NAME, "article")
must(len(readings) >= 2, "the readings are side by side")
must(abs(readings[0].rect["y"] - readings[1].rect["y"]) < 5, "side by side, and not below each other")
must(len(browser.find_element(By.CSS_SELECTOR, FIRST).find_elements(By.TAG_NAME, "svg")) >= 2, "each bracket is drawn against the range")
shot("contested-desk")


def rule():
    readings = browser.find_element(By.CSS_SELECTOR, FIRST).find_elements(By.TAG_NAME, "article")
    stands = next(r for r in readings if "stands meanwhile" in r.text)
    stands.find_element(By.CSS_SELECTOR, ".step > summary").click()  # one
    stands.find_element(By.NAME, "reason").send_keys("Bram measured twice")
    press("Rule:", within=stands)  # two


again(rule)
must(lambda: "stands" in browser.find_element(By.CSS_SELECTOR, ".said").text, "the ruling is confirmed in words")
must(lambda: count() == contested - 1 and heading not in text().split("Came in")[0].split("\n"), "ruled on, it is contested no more")
focused = lambda: browser.switch_to.active_element.get_attribute("class")
must(lambda: focused() == "matter", "a settled matter leads to the next one")
first = browser.switch_to.active_element.get_attribute("id")
keyboard("n")
must(lambda: focused() == "matter" and browser.switch_to.active_element.get_attribute("id") != first, "N goes to the matter after it")
keyboard(Keys.PAGE_UP)
must(lambda: browser.switch_to.active_element.get_attribute("id") == first, "Page Up goes back")

# -- The sheet renews itself --------------------------------------------------------------------------------------------
before = browser.find_element(By.ID, "sheet").get_attribute("data-mark")
browser.execute_script("window.stayed = true")
subprocess.run(NEWS, shell=True, check=True, stdout=subprocess.DEVNULL)
until("the sheet renews itself after an exchange", lambda: browser.find_element(By.ID, "sheet").get_attribute("data-mark") != before)
must(browser.execute_script("return window.stayed") is True, "renewed in place, without loading the page anew")

# -- The day is closed ---------------------------------------------------------------------------------------------------
def close(reason):
    form = browser.find_element(By.CSS_SELECTOR, "form[action='/office/days/close']")
    field = form.find_element(By.NAME, "left_open")
    field.clear()
    field.send_keys(reason)
    press("Close", within=form)


must(lambda: browser.find_elements(By.CSS_SELECTOR, "form[action='/office/days/close'] [name=left_open]"),
     "something is open on the demo's evening, and a reason is asked for")
again(lambda: close(""))
must(here() == "/office" and "closed by" not in text(), "without a reason it is not closed")
again(lambda: close("the rest waits for the morning"))
must(lambda: "is closed." in browser.find_element(By.CSS_SELECTOR, ".said").text, "closed, and said so")
must("the rest waits for the morning" in text(), "with the reason")
subprocess.run(NEWS, shell=True, check=True, stdout=subprocess.DEVNULL)
at("/office")
must("Came after the day was closed" in text(), "what comes after the closing shows as late")
shot("closed-desk")

# -- What the client gets -------------------------------------------------------------------------------------------------
machine = next(a.get_attribute("href") for a in browser.find_elements(By.CSS_SELECTOR, "a[href^='/office/machines/']") if a.text == "Q-101")
browser.get(machine)
record = browser.find_element(By.CSS_SELECTOR, "a[href*='/office/visits/']").get_attribute("href")
browser.get(record)
printed = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", {"paperWidth": 8.27, "paperHeight": 11.69})["data"])
(PICTURES / "printed-record.pdf").write_bytes(printed)
paper = pypdf.PdfReader(io.BytesIO(printed))
words = "".join(page.extract_text() for page in paper.pages)
must(len(paper.pages) == 1, f"the service record prints on one sheet, not {len(paper.pages)}")
must("Service record" in words and "Q-101" in words and "Day sheet" not in words, "the sheet has the record, and not the navigation")
pdf = browser.execute_async_script("""
    const [address, done] = arguments;
    fetch(address).then(async answer => done([answer.status, Array.from(new Uint8Array(await answer.arrayBuffer()))]), e => done([0, []]));
""", record + ".pdf")
must(pdf[0] == 200, f"the record comes as a PDF: {pdf[0]}")
sheets = pypdf.PdfReader(io.BytesIO(bytes(pdf[1]))).pages
must(len(sheets) == 1 and "Q-101" in sheets[0].extract_text(), "a PDF of one sheet, with the machine on it")

# -- Every page, at two widths ----------------------------------------------------------------------------------------------
hrefs = lambda selector: [a.get_attribute("href") for a in browser.find_elements(By.CSS_SELECTOR, selector)]
pages = {"day-sheet": "/office", "due": "/office/due", "round": "/office/round", "properties": "/office/properties",
         "cards": "/office/cards", "people": "/office/people", "quarantine": "/office/quarantine", "days": "/office/days",
         "settings": "/office/settings"}
pages = {name: SERVER + path for name, path in pages.items()} | {"machine": machine, "service-record": record}
for name, start, selector in [("property", "properties", "main a[href*='/office/properties/']"), ("card", "cards", "main a[href*='/office/cards/']"),
                              ("person", "people", "main a[href*='/office/people/']"), ("record", "machine", "main a[href*='/office/records/']"),
                              ("slot", "machine", "main a[href*='/office/slot']")]:
    browser.get(pages[start])
    found = [href for href in hrefs(selector) if "export" not in href]
    must(bool(found), f"{start} leads to a {name}")
    pages[name] = found[0]
pages["nothing-there"] = SERVER + "/office/nothing-there"
complaints()

faults = []
for name, address in pages.items():
    for width_name, width in WIDTHS.items():
        size(width)
        browser.get(address)
        shot(f"{name}-{width_name}")
        wide = browser.execute_script("return document.documentElement.scrollWidth")
        if wide > width:
            faults.append(f"{name} is {wide} px wide at {width}")
        browser.execute_script(AXE)
        found = browser.execute_async_script(
            "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}).then(arguments[0])")
        must(len(found["passes"]) > 5, "axe looked at something")
        for violation in found["violations"]:
            nodes = "; ".join(str(node["target"]) for node in violation["nodes"][:3])
            faults.append(f"{name} at {width}: {violation['impact']}: {violation['id']}: {violation['help']} ({nodes})")
        expected = ["404"] if name == "nothing-there" else []
        faults += [f"{name} at {width}: {said}" for said in complaints() if not any(mark in said for mark in expected)]
serious = [fault for fault in faults if ": minor:" not in fault and ": moderate:" not in fault]
for fault in faults:
    print(("" if fault in serious else "(minor) ") + fault)
if serious:
    raise SystemExit(f"{len(serious)} faults on {len(pages)} pages")
print(f"The evening went as it should; {len(pages)} pages at {len(WIDTHS)} widths, {len(faults)} minor remarks of axe-core.")
browser.quit()
