# SPDX-License-Identifier: GPL-3.0-or-later
"""write_captures: writes the captures and clamp logs of the hand-made golden cases anew. Everything in them is invented.

usage: python3 tests/golden/write_captures.py
Frames of a second share no instants (each ID has a phase of its own), so no arbitration has to be played out.
"""

import datetime
import os
import random

START = 1772750000  # 2026-03-05 22:33:20 UTC
HERE = os.path.dirname(os.path.abspath(__file__))


def cyclic(number, period, begin, end, data, late=0.0):
    """Frames of one ID from begin to end (s); the first payload byte counts. late: how slow its clock is, ppm."""
    step = period * (1 + late * 1e-6)
    count = 0
    while begin + count * step < end:
        yield begin + count * step, number, bytes([count & 0xFF]) + bytes(data)
        count += 1


def alone(number, begin, copies, data):
    """A sender that nobody acknowledges: whole copies back to back, 0.27 ms each at 500 kbit/s."""
    for copy in range(copies):
        yield begin + copy * 0.00027, number, bytes([0]) + bytes(data)


def write(case, frames):
    with open(os.path.join(HERE, case, "capture.log"), "w", encoding="ascii") as out:
        for t, number, data in sorted(frames):
            digits = 8 if number > 0x7FF else 3
            out.write(f"({START + t:.6f}) can0 {number:0{digits}X}#{data.hex().upper()}\n")


def current(case, step, begin, end, levels, noise, drift=0.0):
    """Readings (true s, mA) every step s: levels are (from, mA), the last begun one holds; drift over the log, mA."""
    made = random.Random(case)
    t = begin
    while t < end:
        level = [mA for since, mA in levels if since <= t][-1]
        yield t, level + made.gauss(0, noise) + drift * (t - begin) / (end - begin)
        t += step


def write_clamp(case, header, lines):
    with open(os.path.join(HERE, case, "clamp.csv"), "w", encoding="ascii") as out:
        out.write(header + "\n")
        for line in lines:
            out.write(line + "\n")


def one_node_goes_on():
    frames = []
    # Ignition traffic: ends with the key at 60 s.
    for k, number in enumerate((0x0C4, 0x0D2, 0x110, 0x118)):
        frames += cyclic(number, 0.5, 0.011 + 0.013 * k, 60.2 + 0.1 * k, [0x10 + k, 0, 0x7F], 30)
    # Three nodes with run-ons of their own, and one that stays.
    for k, (number, period, end) in enumerate(((0x210, 0.5, 78), (0x214, 1.0, 78), (0x2B0, 1.0, 84), (0x2B8, 2.0, 84),
                                               (0x340, 1.0, 91), (0x348, 2.0, 91))):
        frames += cyclic(number, period, 0.107 + 0.017 * k, end, [0x20, k, 0xFF], -40 + 5 * k)
    for k, (number, period) in enumerate(((0x3A1, 1.0), (0x3A5, 2.0), (0x3AC, 5.0))):
        frames += cyclic(number, period, 0.301 + 0.017 * k, 1000, [0x40, k, 0x00], 120)
    write("one-node-goes-on", frames)


def port_closed():
    frames = []
    for k in range(10):
        frames += cyclic(0x0B0 + 0x31 * k, (0.2, 0.5, 1.0)[k % 3], 0.011 + 0.017 * k, 41.3, [k, 0x55], 7 * k)
    write("port-closed", frames)


def wakes_alone():
    frames = []
    senders = [(0x18FEF121, 0.5), (0x18FEF221, 1.0), (0x18FF3027, 0.5), (0x18FF3127, 1.0), (0x18FF5033, 1.0)]
    for k, (number, period) in enumerate(senders):
        frames += cyclic(number, period, 0.011 + 0.017 * k, 63 + k % 2, [k, 0x0F], 10 * k)
    # Ignition traffic.
    for k, number in enumerate((0x0CF00401, 0x0CF00301)):
        frames += cyclic(number, 0.2, 0.131 + 0.017 * k, 40.2, [k, 0xF0], -15)
    # Node 0x33 wakes the sleeping bus five times; the others answer 40 ms later and all stop 6 s on.
    for wake, begin in enumerate((400, 700, 1000, 1300, 1600)):
        begin += 0.7 * wake
        frames += alone(0x18FF5033, begin, 150, [4, 0x0F])
        frames += cyclic(0x18FF5033, 1.0, begin + 1.0, begin + 6, [4, 0x0F], 40)
        for k, (number, period) in enumerate(senders[:4]):
            frames += cyclic(number, period, begin + 0.0405 + 0.017 * ((k + wake) % 4), begin + 6.1, [k, 0x0F], 10 * k)
    write("wakes-alone", frames)


NODES = ((0x1E4, 0.5), (0x1E8, 1.0), (0x262, 0.5), (0x26A, 2.0), (0x351, 0.5))


def awake(begin, ends, number=len(NODES)):
    """The first nodes of a small bus, up at `begin` one after the other, down at `ends`."""
    for k, (one, period) in enumerate(NODES[:number]):
        yield from cyclic(one, period, begin + 0.021 + 0.017 * k, ends[k], [0x30 + k, 0x0C], 12 * k - 20)


def quiet_but_draws():
    """Asleep within half a minute; twice it wakes for some seconds; all the time some 212 mA flow beside it."""
    frames = list(awake(0, (58, 58, 63, 63, 61)))
    for k, number in enumerate((0x0A2, 0x0A8, 0x0B4)):
        frames += cyclic(number, 0.5, 0.203 + 0.017 * k, 40.2, [0x50 + k, 1], 30)
    levels = [(-9, 4300), (40, 1130), (58.6, 870), (61.4, 640), (64.1, 212)]
    for begin, asks in ((611.4, 5), (2207.8, 7)):
        frames += awake(begin, (begin + asks, begin + asks, begin + asks + 6, begin + asks + 6, begin + asks + 4))
        levels += [(begin - 0.2, 1130), (begin + asks + 0.6, 870), (begin + asks + 4.4, 640), (begin + asks + 7.1, 212)]
    write("quiet-but-draws", frames)
    # 100 mV/A, 0.1 mV digits, a clock 47 min ahead; the zero goes from -2.3 mV to -1.9 mV.
    write_clamp("quiet-but-draws", "time,mV", (
        f"{datetime.datetime.fromtimestamp(START + t + 2820.4, datetime.timezone.utc):%Y-%m-%dT%H:%M:%S}."
        f"{int((START + t + 2820.4) % 1 * 10)}Z,{(mA - 23) / 10:.1f}"
        for t, mA in current("quiet-but-draws", 1, -8.2, 3590, levels, 1.4, 4)))


def one_stays():
    """One of five nodes goes on; what it and the network it holds up draw is read in mA, on a clock that passes midnight."""
    frames, levels = [], [(-29, 22)]
    # Woken three times on purpose before the drive.
    for begin in (-0.021, 51.9, 113.0):
        frames += awake(begin, (begin + 12, begin + 12, begin + 18, begin + 18, begin + 15))
        levels += [(begin - 0.2, 1030), (begin + 12.5, 770), (begin + 15.5, 540), (begin + 18.7, 22)]
    frames += awake(170, (251, 251, 258, 258, 1700))
    for k, number in enumerate((0x0A2, 0x0A8, 0x0B4)):
        frames += cyclic(number, 0.5, 170.203 + 0.017 * k, 240.2, [0x50 + k, 1], 30)
    write("one-stays", frames)
    levels += [(170.1, 5210), (240, 1030), (251.7, 770), (258.9, 252)]

    def line(t, mA):
        clock = 86400 - 400 + t
        return f"{int(clock // 3600 % 24):02d}:{int(clock // 60 % 60):02d}:{clock % 60:04.1f};{mA:.1f}".replace(".", ",")

    write_clamp("one-stays", "Zeit;mA", (line(t, mA) for t, mA in current("one-stays", 0.5, -26.1, 1690, levels, 2.6)))


def log_dies():
    """Asleep in time and little drawn, as far as the log went: 17 minutes in, the meter shows its zero to the last digit."""
    frames = list(awake(0, (58, 58, 63, 63, 61)))
    for k, number in enumerate((0x0A2, 0x0A8, 0x0B4)):
        frames += cyclic(number, 0.5, 0.203 + 0.017 * k, 40.2, [0x50 + k, 1], 30)
    levels = [(-9, 4300), (40, 1130), (58.6, 870), (61.4, 640), (64.1, 31)]
    frames += awake(611.4, (620, 620, 626, 626, 624))
    levels += [(611.2, 1130), (620.6, 870), (624.4, 640), (627.1, 31)]
    write("log-dies", frames)
    write_clamp("log-dies", "t,A", (
        f"{t + 4.4:.1f},{mA / 1000 if t < 1020 else 0:.4f}" for t, mA in current("log-dies", 1, -4.4, 3590, levels, 1.1)))


one_node_goes_on()
port_closed()
wakes_alone()
quiet_but_draws()
one_stays()
log_dies()
