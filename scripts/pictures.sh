#!/usr/bin/env bash
# pictures: the pictures of the README, made anew from the demo night: .readme/report.png and .readme/view.png.
# usage: make demo && scripts/pictures.sh      (needs chromium, chromium-driver, python3-selenium)
set -euo pipefail
cd "$(dirname "$0")/.."
lull=$PWD/${B:-build}/lull
night=$PWD/demo/night.lull
[ -f "$night" ] || {
	echo "pictures: demo/night.lull is missing: run make demo first" >&2
	exit 1
}
work=$(mktemp -d)
trap 'kill "${server:-}" 2>/dev/null || :; rm -rf "$work"' EXIT
TZ=UTC "$lull" report --format html --order profiles/order.ini --without-owner -o "$work/night.html" "$night" || [ $? = 1 ]
"$lull" view --link-file "$work/link" "$night" >/dev/null &
server=$!
for _ in $(seq 50); do [ -s "$work/link" ] && break || sleep 0.1; done
mkdir -p .readme
TZ=UTC /usr/bin/python3 - "$work/night.html" "$(cat "$work/link")" <<'END'
import sys, time
from selenium import webdriver
from selenium.webdriver.chrome.service import Service


def shot(url, width, height, scale, out, wait):
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for a in ["--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"]:
        options.add_argument(a)
    options.add_experimental_option("mobileEmulation", {"deviceMetrics": {"width": width, "height": height, "pixelRatio": scale}})
    driver = webdriver.Chrome(service=Service("/usr/bin/chromedriver"), options=options)
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {"width": width, "height": height, "deviceScaleFactor": scale, "mobile": True})
    driver.get(url)
    time.sleep(wait)
    driver.save_screenshot(out)
    driver.quit()


shot("file://" + sys.argv[1], 1000, 1480, 1, ".readme/report.png", 1)
shot(sys.argv[2], 360, 760, 1, ".readme/view.png", 3)
END
ls -l .readme
