#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""nothing_lost: holds what was sent against what recordings say that they observed.

usage: nothing_lost.py LOG STAMPS BUS=IFACE... RECORDING...
LOG is what can_play played and STAMPS what it wrote with -t: for each frame the instant (CLOCK_BOOTTIME, ns) at which it was sent.
For each bus and ID: the frames sent within time that a recording calls observed must all be counted in it, and no silence
(a gap row) may lie where a frame was sent and the bus was observed. Prints what it compared; exit status 1 if anything is missing.
"""
import bisect
import collections
import re
import sqlite3
import sys

MARGIN = 50_000_000  # ns: a frame this near to where observation begins or ends may be on either side


def sent_frames(log, stamps):
    """[(boottime ns, interface, ID)] in order."""
    frame = re.compile(r"^\([0-9.]+\) (\S+) ([0-9A-Fa-f]+)#")
    frames = [m for m in map(frame.match, open(log)) if m]
    times = [int(line) for line in open(stamps)]
    if len(frames) != len(times):
        sys.exit(f"{len(frames)} frames in the log, {len(times)} stamps")
    return [(t, m.group(1), int(m.group(2), 16) | (0x80000000 if len(m.group(2)) == 8 else 0)) for t, m in zip(times, frames)]


def observed(db, bus):
    """Spans (from, to) in which the bus was observed and not blind for any reason."""
    rows = db.execute("SELECT why, from_ns, to_ns FROM coverage WHERE bus = ? OR bus IS NULL", (bus,)).fetchall()
    edges = sorted({t for _, a, b in rows for t in (a, b)})
    spans = []
    for a, b in zip(edges, edges[1:]):
        whys = {why for why, f, t in rows if f < b and t > a}
        if whys != {"observed"}:
            continue
        if spans and spans[-1][1] == a:
            spans[-1] = (spans[-1][0], b)
        else:
            spans.append((a, b))
    return spans


def main():
    log, stamps = sys.argv[1:3]
    buses = dict(a.split("=") for a in sys.argv[3:] if not a.endswith(".lull"))
    recordings = [a for a in sys.argv[3:] if a.endswith(".lull")]
    sent = sent_frames(log, stamps)
    bad = 0
    claimed_by = collections.Counter()
    heard_by = collections.Counter()
    for path in recordings:
        db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        offset = db.execute("SELECT boottime_ns - from_ns FROM session ORDER BY session LIMIT 1").fetchone()[0]
        for number, name in db.execute("SELECT bus, name FROM bus").fetchall():
            times = collections.defaultdict(list)
            for t, iface, i in sent:
                if iface == buses[name]:
                    times[i].append(t - offset)
            spans = observed(db, number)
            everything = sorted(t for each in times.values() for t in each)
            for i, at in sorted(times.items()):
                wanted = sum(max(0, bisect.bisect_left(at, b - MARGIN) - bisect.bisect_right(at, a + MARGIN)) for a, b in spans)
                heard = db.execute("SELECT coalesce(sum(frames), 0) FROM stretch WHERE bus = ? AND id = ?", (number, i)).fetchone()[0]
                claimed_by[name] += wanted
                heard_by[name] += heard
                if heard < wanted:
                    print(f"{path}: {name} {i:03X}: {wanted} sent while observed, {heard} counted")
                    bad = 1
                if heard > len(at):
                    print(f"{path}: {name} {i:03X}: {len(at)} sent, {heard} counted")
                    bad = 1
            for last, after in db.execute("SELECT last_ns, next_ns FROM gap WHERE bus = ?", (number,)).fetchall():
                lo = (last if last is not None else -(1 << 62)) + MARGIN
                hi = (after if after is not None else 1 << 62) - MARGIN
                for a, b in spans:
                    n = bisect.bisect_left(everything, min(hi, b - MARGIN)) - bisect.bisect_right(everything, max(lo, a + MARGIN))
                    if n > 0:
                        print(f"{path}: {name}: {n} frames were sent within a silence from {last} to {after}")
                        bad = 1
            print(f"{path}: {name}: observed {sum(b - a for a, b in spans) / 1e9:.1f} s in {len(spans)} spans")
    per_bus = collections.Counter(iface for _, iface, _ in sent)
    for name, iface in buses.items():
        print(f"{name}: {per_bus[iface]} sent, {claimed_by[name]} of them while observed, {heard_by[name]} counted")
        if claimed_by[name] < per_bus[iface] // 4:
            print(f"{name}: so little was observed that this shows nothing")
            bad = 1
    sys.exit(bad)


if __name__ == "__main__":
    main()
