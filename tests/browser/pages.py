# The report and the live view as a browser shows them: no errors, the figures of the JSON report, nothing that overflows,
# nothing that axe-core (Deque's accessibility rules, npm) calls serious.
import json, os, re, shlex, subprocess, sys, time
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from recorder import Recorder

LULL, AXE, SHOTS = os.environ["LULL"], os.environ["AXE"], os.environ["SHOTS"]
bad = 0


def check(name, right, why=""):
    global bad
    print(f"ok - {name}" if right else f"not ok - {name}: {why}", flush=True)
    bad += not right


def browser(width, height):
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for a in ["--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--disable-dev-shm-usage"]:
        options.add_argument(a)
    options.add_experimental_option("mobileEmulation", {"deviceMetrics": {"width": width, "height": height, "pixelRatio": 1}})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    return webdriver.Chrome(service=Service("/usr/bin/chromedriver"), options=options)


def errors(driver):
    return [e["message"] for e in driver.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]


def shot(driver, name):
    height = driver.execute_script("return document.documentElement.scrollHeight")
    width = driver.execute_script("return innerWidth")
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {"width": width, "height": min(height, 12000), "deviceScaleFactor": 1, "mobile": True})
    driver.save_screenshot(os.path.join(SHOTS, name + ".png"))
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": True})


# What sticks out of the page, but for what scrolls within a box of its own.
OVERFLOW = """
const out = [];
for (const e of document.querySelectorAll("body *")) {
  if (e.closest("svg svg, .wide, figure, .chart") && !e.matches(".wide, figure, .chart")) continue;
  const r = e.getBoundingClientRect();
  if (r.width && r.right > innerWidth + 1) out.push(e.tagName + "." + e.className + " " + r.right);
}
return out.slice(0, 5);
"""


def overflow(driver, name):
    out = driver.execute_script(OVERFLOW)
    check(f"{name}: nothing sticks out", not out, out)


def axe(driver, name):
    if not AXE or not os.path.exists(AXE):
        print(f"ok - {name}: axe-core # SKIP it could not be fetched")
        return
    with open(AXE) as f:
        driver.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})
        driver.execute_script(f.read())
    found = driver.execute_async_script("const done = arguments[0]; axe.run().then(r => done(r.violations.map(v => [v.id, v.impact, v.nodes.length, v.nodes[0].html.slice(0, 120)])))")
    serious = [v for v in found if v[1] in ("serious", "critical")]
    check(f"{name}: axe-core finds nothing serious", not serious, serious)


def night(scenario, seed):
    run = subprocess.run([LULL, "simulate", scenario, "--seed", str(seed), "--named-nodes", "-o", scenario], capture_output=True, text=True, check=True)
    command = shlex.split(run.stdout.replace("\\\n", " ").split("\n")[0] if "\\\n" not in run.stdout else re.sub(r"\\\n\s*", " ", run.stdout).split("\n")[0])
    subprocess.run([LULL] + command[1:], check=True, capture_output=True)
    path = f"{scenario}/night.lull"
    return path, json.loads(subprocess.run([LULL, "report", "--format", "json", path], capture_output=True, text=True).stdout)


def near(a, b):
    return a is None and b is None or a is not None and b is not None and abs(a - b) <= 1e-9 * max(1, abs(b))


def value(element, attribute="data-v"):
    told = element.get_attribute(attribute)
    return None if told in (None, "") else float(told)


def report(scenario, seed):
    path, told = night(scenario, seed)
    with open("order.ini", "w") as f:
        f.write("[order]\nvehicle = van, blue\nplate = XX 0000\ncomplaint = flat after <three> days & nights\n")
    page = os.path.abspath(f"{scenario}.html")
    subprocess.run([LULL, "report", "--format", "html", "--order", "order.ini", "-o", page, path])
    for width in (360, 1280):
        driver = browser(width, 800)
        driver.get("file://" + page)
        name = f"{scenario} at {width} px"
        check(f"{name}: no complaint on the console", not errors(driver), "see below")
        overflow(driver, name)
        if width == 360:
            axe(driver, name)
            shot(driver, f"report-{scenario}-{width}")
            driver.quit()
            continue
        findings = driver.find_elements(By.CSS_SELECTOR, "article.finding")
        check(f"{name}: all findings", [f.get_attribute("data-code") for f in findings] == [f["code"] for f in told["findings"]])
        check(f"{name}: their confidence", all(near(value(a), b["confidence"]) for a, b in zip(findings, told["findings"])))
        costs = [f.find_elements(By.CSS_SELECTOR, ".cost") for f in findings]
        check(f"{name}: their cost", all(near(value(c[0]) if c else None, f["cost_mAh_per_day"]) for c, f in zip(costs, told["findings"])))
        spells = [s for b in told["buses"] for s in b["spells"]]
        check(f"{name}: a row for each spell", len(driver.find_elements(By.CSS_SELECTOR, "#spells tbody tr")) == len(spells))
        starts = [value(e) for e in driver.find_elements(By.CSS_SELECTOR, "#spells tbody tr td:nth-child(2)")]
        check(f"{name}: their instants", all(near(a, s["from_s"]) for a, s in zip(starts, spells)))
        check(f"{name}: a row for each ID", len(driver.find_elements(By.CSS_SELECTOR, "#ids tbody tr")) == len(told["ids"]))
        for key in ("quiet_mA", "average_mA"):
            shown = driver.find_elements(By.CSS_SELECTOR, f"[data-json={key}]")
            check(f"{name}: {key}", near(value(shown[0]) if shown else None, told["current"][key]), told["current"][key])
        marks = driver.find_elements(By.CSS_SELECTOR, "#night > .picture .markline, #marks tbody tr")
        rows = driver.find_elements(By.CSS_SELECTOR, "#marks tbody tr")
        other = [r for r in rows if "key off" not in r.get_attribute("textContent").lower()]
        check(f"{name}: a line for each mark", len(marks) - len(rows) == len(other), (len(marks), len(rows), len(other)))
        check(f"{name}: key-off", len(driver.find_elements(By.CSS_SELECTOR, "#night > .picture .keyoff")) == (told["key_off"]["at_s"] is not None))
        suspects = {s["node"] for f in told["findings"] for s in f["suspects"]}
        labels = {e.get_attribute("textContent")[: len(s)] for s in suspects for e in driver.find_elements(By.CSS_SELECTOR, "#night > .picture .row.strong") if e.get_attribute("textContent").startswith(s)}
        check(f"{name}: suspects on top", labels == suspects, (labels, suspects))
        check(f"{name}: the order's head is text", "<three> days & nights" in driver.find_element(By.CSS_SELECTOR, ".order").text)
        # a table sorts by keyboard
        driver.execute_script("document.getElementById('ids').open = true")
        head = driver.find_element(By.CSS_SELECTOR, "#ids thead th:nth-child(8) button")
        head.send_keys(Keys.ENTER)
        frames = [value(e) for e in driver.find_elements(By.CSS_SELECTOR, "#ids tbody tr td:nth-child(8)")]
        check(f"{name}: sorts up", frames == sorted(frames))
        head.send_keys(Keys.ENTER)
        frames = [value(e) for e in driver.find_elements(By.CSS_SELECTOR, "#ids tbody tr td:nth-child(8)")]
        check(f"{name}: and down", frames == sorted(frames, reverse=True))
        # one axis at a time
        linear = lambda: driver.find_element(By.CSS_SELECTOR, "#night g.linear").is_displayed()
        if driver.find_elements(By.ID, "axis-linear"):
            before = linear()
            driver.find_element(By.ID, "axis-linear").click()
            check(f"{name}: the axis can be chosen", not before and linear())
        axe(driver, name)
        pdf = driver.execute_cdp_cmd("Page.printToPDF", {"paperWidth": 8.27, "paperHeight": 11.69})["data"]
        check(f"{name}: prints", len(pdf) > 10000)
        shot(driver, f"report-{scenario}-{width}")
        driver.quit()


def view(scenario):
    path = f"{scenario}/night.lull"
    told = json.loads(subprocess.run([LULL, "report", "--format", "json", path], capture_output=True, text=True).stdout)
    server = subprocess.Popen([LULL, "view", path], stdout=subprocess.PIPE, text=True)
    link = server.stdout.readline().strip()
    for width in (360, 1280):
        driver = browser(width, 740)
        driver.get(link)
        link = server.stdout.readline().strip()
        name = f"view of {scenario} at {width} px"
        time.sleep(2.5)
        bus = driver.find_elements(By.CSS_SELECTOR, "#buses .bus strong")
        check(f"{name}: state of each bus", [b.text for b in bus] == [b["state_at_end"] for b in told["buses"]])
        check(f"{name}: the finding", told["findings"][0]["suspects"] == [] or told["findings"][0]["suspects"][0]["node"] in driver.find_element(By.ID, "finding").text)
        check(f"{name}: marks are off", not driver.find_element(By.ID, "morning").is_enabled())
        check(f"{name}: a chart", len(driver.find_elements(By.CSS_SELECTOR, "#chart canvas")) > 0)
        for part in ("now", "first", "pull"):
            driver.execute_script(f"location.hash = '{part}'")
            time.sleep(0.5)
            overflow(driver, f"{name}, {part}")
            axe(driver, f"{name}, {part}")
            shot(driver, f"view-{part}-{width}")
        got = sum(driver.execute_script("return performance.getEntriesByType('resource').filter(e => !e.name.endsWith('/live') && !e.name.endsWith('/trace')).map(e => e.decodedBodySize).concat(performance.getEntriesByType('navigation').map(e => e.decodedBodySize))"))
        check(f"{name}: at most 200 kB all told", 0 < got <= 200000, got)
        check(f"{name}: no complaint on the console", not (e := errors(driver)), e)
        base = link.split("/?")[0]
        driver.get(base + "/report")
        check(f"{name}: the report under the page's policy", len(driver.find_elements(By.CSS_SELECTOR, "article.finding")) == len(told["findings"]) and not (e := errors(driver)), e)
        driver.quit()
    server.terminate()
    check("view ends cleanly", server.wait(10) == 0)


def wait(what, driver, seconds=12):
    end = time.time() + seconds
    while time.time() < end:
        if what():
            return True
        time.sleep(0.2)
    return False


# The running recorder: what happens there is seen here; marks reach it; its absence is told, and its return.
def live():
    recorder = Recorder(os.path.abspath("control"), os.path.abspath("draws-quiet/night.lull"))
    recorder.start()
    server = subprocess.Popen([LULL, "view", "--socket", recorder.path, "--link-file", "link"], stdout=subprocess.PIPE, text=True)
    link = server.stdout.readline().strip()
    check("live: the link for others", open("link").read().strip() == link)
    driver = browser(360, 740)
    driver.get(link)
    text = lambda id: driver.find_element(By.ID, id).text
    state = lambda: driver.find_element(By.CSS_SELECTOR, "#buses strong").text
    check("live: awake", wait(lambda: driver.find_elements(By.CSS_SELECTOR, "#buses strong") and state() == "awake", driver), text("buses"))
    check("live: hands off", text("hands").startswith("Hands off"), text("hands"))
    check("live: who sends", [r.text.split()[0] for r in driver.find_elements(By.CSS_SELECTOR, "#senders tr.sends")] == ["0x3A1", "0x100"])
    check("live: the current", text("current") == "812 mA", text("current"))
    with recorder.lock:
        recorder.bus.update(state="quiet", since_s=105.0, talking=[])
        recorder.mA = 21.5
    check("live: asleep since", wait(lambda: text("hands").startswith("Asleep since"), driver), text("hands"))
    check("live: the current follows", wait(lambda: text("current") == "21.5 mA", driver), text("current"))
    with recorder.lock:
        recorder.bus.update(proven=False)
    check("live: silence without proof is no sleep", wait(lambda: text("hands").startswith("Silent, but nothing proves") and state() == "silent", driver), text("hands"))
    with recorder.lock:
        recorder.bus.update(proven=True)
        recorder.bus.update(state="blind", why=["adapter gone"], since_s=110.0)
        recorder.lost = "the meter is gone"
    check("live: blind, and why", wait(lambda: state() == "blind" and "the adapter was gone" in text("buses"), driver), text("buses"))
    check("live: the clamp is lost, not zero", wait(lambda: text("current") == "clamp lost", driver), text("current"))
    with recorder.lock:
        recorder.bus.update(why=["a\u202eb"])
    check("live: a direction mark is shown by number", wait(lambda: "a\\u202eb" in text("buses"), driver), text("buses"))
    recorder.stop()
    check("live: no news is told", wait(lambda: "what is shown is old" in text("line"), driver), text("line"))
    with recorder.lock:
        recorder.bus.update(state="awake", why=[], talking=["0x3A1"])
        recorder.lost = None
    recorder.start()
    check("live: it comes back", wait(lambda: text("line") == "live" and state() == "awake", driver), text("line"))
    driver.find_element(By.ID, "morning").click()
    check("live: good morning", wait(lambda: recorder.marks == ["-0 morning"], driver), recorder.marks)
    check("live: and it says so", wait(lambda: "Noted" in text("morning"), driver))
    driver.execute_script("location.hash = 'pull'")
    driver.find_element(By.ID, "out").click()
    check("pull: a name is wanted first", "write the name" in text("pull-state"))
    driver.find_element(By.ID, "pull-name").send_keys("F12")
    driver.find_element(By.ID, "out").click()
    driver.find_element(By.ID, "undo").click()
    time.sleep(6)
    check("pull: taken back in time", len(recorder.marks) == 1, recorder.marks)
    driver.find_element(By.ID, "out").click()
    check("pull: sent after a while, with the time it was pressed", wait(lambda: recorder.marks[1:] == ["-5 fuse out F12"], driver), recorder.marks)
    with recorder.lock:
        recorder.mA = 9.5
    check("pull: the change since the mark", wait(lambda: text("pull-change").startswith("\u2212") and "since the last mark" in text("pull-change"), driver), text("pull-change"))
    check("pull: readable from afar", int(driver.execute_script("return parseFloat(getComputedStyle(document.getElementById('pull-now')).fontSize)")) >= 90)
    overflow(driver, "pull, live")
    axe(driver, "pull, live")
    shot(driver, "live-pull-360")
    driver.execute_script("location.hash = 'first'")
    time.sleep(1)
    check("first: who is still to stop", "0x3A1" in text("missing"), text("missing"))
    shot(driver, "live-first-360")
    # the address alone, as another browser would have it
    import http.client
    host = link.split("/")[2]
    for path in ("/", "/status", "/live"):
        c = http.client.HTTPConnection(host)
        c.request("GET", path)
        check(f"live: {path} without leave", c.getresponse().status == 403)
    gone = [e for e in errors(driver) if "favicon" not in e]
    check("live: no complaint on the console", not gone, gone)
    driver.quit()
    server.terminate()
    check("live: ends cleanly", server.wait(10) == 0)
    recorder.stop()


def compare(before, after):
    page = os.path.abspath("compare.html")
    args = [LULL, "compare", f"{before}/night.lull", f"{after}/night.lull"]
    told = json.loads(subprocess.run(args + ["--format", "json"], capture_output=True, text=True).stdout)
    subprocess.run(args + ["--format", "html", "-o", page])
    for width in (360, 1280):
        driver = browser(width, 800)
        driver.get("file://" + page)
        name = f"before and after at {width} px"
        check(f"{name}: the outcome", driver.find_element(By.CSS_SELECTOR, "[data-outcome]").get_attribute("data-outcome") == told["outcome"])
        shown = [(e.get_attribute("data-what"), e.get_attribute("data-difference")) for e in driver.find_elements(By.CSS_SELECTOR, "h3[data-what]")]
        check(f"{name}: each measure", shown == [(m["what"], m["difference"]) for m in told["measures"]], shown)
        check(f"{name}: each finding", len(driver.find_elements(By.CSS_SELECTOR, "article.finding")) == 1 + len(told["findings"]))
        overflow(driver, name)
        axe(driver, name)
        check(f"{name}: no complaint on the console", not (e := errors(driver)), e)
        shot(driver, f"compare-{width}")
        driver.quit()


report("one-node-holds", 3)
report("wakes-nm", 3)
report("draws-quiet", 3)
compare("wakes-nm", "draws-quiet")
view("wakes-nm")
live()
sys.exit(1 if bad else 0)
