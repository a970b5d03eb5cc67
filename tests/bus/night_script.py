#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""night_script: invents a ten-hour night for the live recorder, and what an import needs to judge the same night.

usage: night_script.py FOLDER COMMANDS_PREFIX
Writes play.log (frames and commands, for can_play), capture.log (the frames that can be heard, stamped from EPOCH on),
marks.csv, coverage.csv, car.ini. Forty wakes by one node, a set clock, an adapter that is away for ten minutes, with a
wake within, and a restart. Car, nodes and IDs are invented.
"""
import random
import sys

EPOCH = 1772750000  # 2026-03-05 22:33:20 UTC
HOUR = 3600.0
NIGHT = 10 * HOUR
# node: (IDs with period in s, delay of its first frame after a wake)
NODES = {
    "gateway": ([(0x0F1, 0.1), (0x2C0, 0.5)], 0.030),
    "door-left": ([(0x1A4, 0.2), (0x3D2, 1.0)], 0.045),
    "lamp-rear": ([(0x26B, 0.25)], 0.060),
    "roof": ([(0x31E, 0.5), (0x4A7, 1.0)], 0.080),
    "seat-heater": ([(0x5B3, 0.2), (0x5B4, 1.0)], 0.07),
    "engine": ([(0x0C8, 0.05)], 0.02),
}
WAKER = "seat-heater"
KEY_ON = "engine"
GONE = (5 * HOUR, 5 * HOUR + 600)
SET_AT = 3 * HOUR
RESTART = 7 * HOUR


class Night:
    def __init__(self):
        self.random = random.Random(20260305)
        self.frames = []
        self.commands = []
        self.ppm = {n: self.random.uniform(-80, 80) for n in NODES}

    def awake(self, begin, length, first=None, without=()):
        """All nodes send; they stop within half a second, the waker last."""
        for name, (ids, delay) in NODES.items():
            if name in without:
                continue
            start = begin if name == first else begin + delay + self.random.uniform(0, 0.02) + 0.01
            stop = begin + length + self.random.uniform(0, 0.3) + (0.4 if name == first else 0)
            for ident, period in ids:
                step = period * (1 + self.ppm[name] * 1e-6)
                phase = 0.0 if ident == ids[0][0] else self.random.uniform(0.001, 0.01)
                t, n = start + phase, 0
                while t < stop:
                    jitter = self.random.uniform(0, 0.0004) if n else 0.0
                    self.frames.append((t + jitter, ident, "%02X%02X%04X" % (ident & 0xFF, n & 0xFF, self.random.getrandbits(8))))
                    n += 1
                    t = start + phase + n * step

    def command(self, t, text):
        self.commands.append((t, text))


def main(folder, prefix):
    night = Night()
    night.awake(2.0, 180.0)
    night.command(182.0, prefix + " mark 'key off'")
    night.awake(182.5, 120.0, without=(KEY_ON,))
    wakes = []
    t = 1500.0
    while len(wakes) < 40:
        wakes.append(t)
        t += 830 + night.random.uniform(-90, 90)
        for special in (SET_AT, GONE[1], RESTART):  # nothing of these falls into a wake
            if special - 90 < t < special + 90:
                t += 200
    # One that nobody can hear.
    wakes.append(GONE[0] + 200.0)
    for w in wakes:
        if GONE[0] - 60 < w < GONE[1] + 60 and w != GONE[0] + 200.0:
            continue
        night.awake(w, night.random.uniform(12, 20), first=WAKER, without=(KEY_ON,))
    night.command(SET_AT, prefix + " set-clock")
    night.command(GONE[0], prefix + " gone")
    night.command(GONE[1], prefix + " back")
    night.command(RESTART, prefix + " restart")
    night.command(NIGHT, prefix + " end")
    night.frames = [f for f in sorted(night.frames) if f[0] < NIGHT]

    lines = [(t, "(%.6f) can0 %03X#%s" % (t, i, d)) for t, i, d in night.frames]
    lines += [(t, "(%.6f) ! %s" % (t, c)) for t, c in night.commands]
    with open(folder + "/play.log", "w", encoding="utf-8") as out:
        out.write("(0.000000) ! true\n")
        for _, line in sorted(lines):
            out.write(line + "\n")
    with open(folder + "/capture.log", "w", encoding="utf-8") as out:
        for t, i, d in night.frames:
            if not GONE[0] <= t < GONE[1]:
                out.write("(%.6f) can0 %03X#%s\n" % (EPOCH + t, i, d))
    with open(folder + "/marks.csv", "w", encoding="utf-8") as out:
        # Seconds from the first frame.
        out.write("time,mark\n%.3f,key off\n" % (182.0 - night.frames[0][0]))
    with open(folder + "/car.ini", "w", encoding="utf-8") as out:
        out.write("[limits]\nsleep_s = 600\n[bus can0]\nbitrate = 500000\n")
        for name, (ids, _) in NODES.items():
            out.write("[node %s]\nbus = can0\nids = %s\n" % (name, ", ".join("0x%03X" % i for i, _ in ids)))
            if name == "gateway":
                out.write("gateway = yes\n")
    print(len(night.frames), "frames,", len(wakes) - 1, "wakes")


if __name__ == "__main__":
    main(*sys.argv[1:])
