# SPDX-License-Identifier: GPL-3.0-or-later
"""import: `lull import` and `lull report` on open captures, compared with tshark, python-can, csv and scipy."""

import collections
import csv
import json
import os
import subprocess
import sys
import tempfile
import zipfile

import can
from scipy import stats

LULL = os.environ["LULL"]
DATA = os.path.join(os.environ["LULL_SHARED"], "data")
failures = 0


def check(name, good, detail=""):
    global failures
    print(f"ok - {name}" if good else f"not ok - {name}: {detail}")
    failures += not good


def skip(name, why):
    print(f"ok - {name} # SKIP {why}")


def lull_report(folder, *arguments):
    """Imports and reports; the report as JSON, and what import said."""
    night = os.path.join(folder, "night.lull")
    done = subprocess.run([LULL, "import", *arguments, "-o", night, "--force"], capture_output=True, text=True)
    if done.returncode > 1:
        raise RuntimeError(f"lull import {' '.join(arguments)}: exit {done.returncode}: {done.stderr}")
    report = subprocess.run([LULL, "report", night, "--format", "json"], capture_output=True, text=True)
    if report.returncode > 1:
        raise RuntimeError(f"lull report: exit {report.returncode}: {report.stderr}")
    return json.loads(report.stdout), done


def by_id(report):
    """{bus: {(id, extended): frames}} of a report."""
    buses = collections.defaultdict(dict)
    for row in report["ids"]:
        buses[row["bus"]][(int(row["id"], 16), row["extended"])] = row["frames"]
    return buses


def difference(mine, theirs):
    keys = sorted(set(mine) | set(theirs))
    rows = [(hex(k[0]), mine.get(k), theirs.get(k)) for k in keys if mine.get(k) != theirs.get(k)]
    return f"{len(rows)} IDs differ (ours, theirs): {rows[:5]}"


def tshark_frames(path):
    """[(seconds, id, extended, data)] as tshark sees them, error frames left out."""
    fields = ["frame.time_epoch", "can.id", "can.flags.xtd", "can.flags.err", "data.data", "can.len"]
    command = ["tshark", "-r", path, "-T", "fields", "-E", "separator=;", "-E", "occurrence=f"]
    for field in fields:
        command += ["-e", field]
    out = subprocess.run(command, capture_output=True, text=True, check=True)
    frames = []
    for line in out.stdout.splitlines():
        stamp, number, extended, error, data, length = line.split(";")
        if error in ("1", "True"):
            continue
        payload = bytes.fromhex(data.replace(":", "")) if data else bytes(int(length or 0))
        frames.append((float(stamp), int(number, 0), extended in ("1", "True"), payload))
    return frames


def counted(frames):
    return collections.Counter((f[1], f[2]) for f in frames)


def nmea2000(folder):
    for name in ("can0-1.pcap", "can0-2.pcap"):
        path = os.path.join(DATA, "nmea2000", name)
        frames = tshark_frames(path)
        theirs = counted(frames)
        report, _ = lull_report(folder, "--can", path)
        ours = by_id(report)
        check(f"{name}: one bus", len(report["buses"]) == 1, [b["name"] for b in report["buses"]])
        total = sum(b["frames"] for b in report["buses"])
        check(f"{name}: {len(frames)} frames as tshark", total == len(frames), f"{total}")
        mine = next(iter(ours.values()))
        check(f"{name}: frames of each of {len(theirs)} IDs as tshark", mine == theirs, difference(mine, theirs))

        # The same frames as the one-line text log, written and read by python-can.
        text = os.path.join(folder, "frames.log")
        with can.CanutilsLogWriter(text) as writer:
            for t, number, extended, data in frames:
                writer(can.Message(timestamp=t, arbitration_id=number, is_extended_id=extended, data=data, channel="can0"))
        with can.CanutilsLogReader(text) as reader:
            theirs = collections.Counter((m.arbitration_id, m.is_extended_id) for m in reader)
        report, _ = lull_report(folder, "--can", text)
        mine = next(iter(by_id(report).values()))
        check(f"{name} as text log: frames of each of {len(theirs)} IDs as python-can", mine == theirs,
              difference(mine, theirs))


def clock_steps(folder):
    """can0-1.pcap: stamps run back by 13.86 days at frame 973 and forward again at frame 1404; a hole of 1.2 s at
    frame 24865 (tshark's frame times)."""
    path = os.path.join(DATA, "nmea2000", "can0-1.pcap")
    frames = tshark_frames(path)
    report, _ = lull_report(folder, "--can", path)
    check("clock step: the recording lasts a minute, not 14 days", 55 < report["duration_s"] < 65, report["duration_s"])
    blind = report["coverage"]["blind"]
    steps = [b for b in blind if b["why"] == "clock step"]
    check("clock step: both are in the coverage", len(steps) == 2, blind)
    away = frames[1403][0] - frames[973][0]
    if len(steps) == 2:
        between = steps[1]["from_s"] - steps[0]["to_s"]
        check("clock step: they stand as far apart as the frames between them last", abs(between - away) < 0.1,
              f"{between} s, frames last {away} s")
    hole = frames[24865][0] - frames[24864][0]
    holes = [b for b in blind if b["why"] in ("frames lost", "undecided gap")]
    check("gap: one blind row besides", len(holes) == 1, blind)
    if holes:
        length = holes[0]["to_s"] - holes[0]["from_s"]
        check("gap: as long as in the file", abs(length - hole) < 0.05, f"{length} s, file {hole} s")
    bus = report["buses"][0]
    check("no false sleep: no quiet", bus["first_quiet_s"] is None and bus["state_at_end"] != "quiet",
          (bus["first_quiet_s"], bus["state_at_end"]))
    codes = [f["code"] for f in report["findings"]]
    wrong = {"woken-again", "woken-from-outside", "late-to-sleep", "within-limit", "draw-not-measured"} & set(codes)
    check("no false sleep: no finding that needs one", not wrong, codes)


def kona(folder):
    path = next(os.path.join(DATA, "kona_ev", n) for n in os.listdir(os.path.join(DATA, "kona_ev")) if n.endswith(".csv"))
    theirs = collections.defaultdict(collections.Counter)
    with open(path, newline="") as file:
        for row in csv.DictReader(file):
            theirs[row["Bus"]][(int(row["ID"], 16), row["Extended"].lower() == "true")] += 1
    report, _ = lull_report(folder, "--can", path)
    ours = by_id(report)
    check(f"kona_ev: {len(theirs)} buses", len(ours) == len(theirs), list(ours))
    frames = sorted(sum(c.values()) for c in theirs.values())
    check(f"kona_ev: frames of each bus {frames}", sorted(b["frames"] for b in report["buses"]) == frames,
          [b["frames"] for b in report["buses"]])
    same = sorted(sorted(c.items()) for c in theirs.values()) == sorted(sorted(c.items()) for c in ours.values())
    check(f"kona_ev: frames of each of {sum(map(len, theirs.values()))} IDs as the csv module", same,
          {k: len(v) for k, v in ours.items()})


def volvo(folder):
    with zipfile.ZipFile(os.path.join(DATA, "volvo_v40", "V40_03.can.zip")) as archive:
        path = archive.extract(archive.namelist()[0], folder)
    arrivals = collections.defaultdict(list)
    with open(path, newline="") as file:
        for row in csv.DictReader(file):
            arrivals[int(row["CAN_ID"], 16)].append(float(row["timestamp"]))
    theirs = {(k, False): len(v) for k, v in arrivals.items()}
    report, _ = lull_report(folder, "--can", path)
    mine = next(iter(by_id(report).values()))
    total = sum(theirs.values())
    check(f"volvo_v40: {total} frames, {len(theirs)} IDs as the csv module", mine == theirs, difference(mine, theirs))
    clocks(report, arrivals)


def clocks(report, arrivals):
    """Rate of each cyclic ID against its nominal period, by scipy's straight line through its arrivals."""
    rows = [r for r in report["ids"] if r.get("clock_ppm") is not None]
    if not rows:
        skip("volvo_v40: clock rates as scipy's line", "this report gives no clock rate for each ID")
        return
    # Groups of one clock, from reference-values.md: against the nominal period.
    groups = {(0x120, 0x130, 0x150, 0x0F5): (-70, -65), (0x1B0, 0x1B5, 0x1D8, 0x1E0, 0x2C3): (-51, -47)}
    mine = {int(r["id"], 16): r["clock_ppm"] for r in rows}
    for ids, (low, high) in groups.items():
        got = {hex(i): mine.get(i) for i in ids}
        good = all(v is not None and low - 3 <= v <= high + 3 for v in got.values())
        check(f"volvo_v40: {[hex(i) for i in ids]} run at {low} to {high} ppm, within 3", good, got)
    far, compared = [], 0
    for row in rows:
        times = arrivals[int(row["id"], 16)]
        period = row["period_ms"] / 1000
        nominal = round(period * 1000) / 1000
        if nominal <= 0 or len(times) < 500:
            continue
        periods = [(after - before) / nominal for before, after in zip(times, times[1:])]
        # Where jitter nears half a period, a gap alone does not tell how many periods it spans.
        if any(abs(p - round(p)) > 0.4 for p in periods):
            continue
        index = [0]
        for p in periods:
            index.append(index[-1] + round(p))
        fit = stats.linregress(index, times)
        ppm = (fit.slope / nominal - 1) * 1e6
        if fit.stderr / nominal * 1e6 > 1:
            continue
        compared += 1
        if abs(ppm - row["clock_ppm"]) > 3:
            far.append((row["id"], round(ppm, 1), row["clock_ppm"]))
    check(f"volvo_v40: clock rates of {compared} IDs as scipy's line, within 3 ppm", compared > 10 and not far, far)


def main():
    with tempfile.TemporaryDirectory() as folder:
        for part in (nmea2000, clock_steps, kona, volvo):
            try:
                part(folder)
            except Exception as error:  # a part that dies is one failed case, and the others still run
                check(f"{part.__name__} runs to its end", False, f"{type(error).__name__}: {error}")
    return failures > 0


sys.exit(main())
