# SPDX-License-Identifier: GPL-3.0-or-later
"""write_captures: writes the captures of the hand-made golden cases anew. Everything in them is invented.

usage: python3 tests/golden/write_captures.py
Frames of a second share no instants (each ID has a phase of its own), so no arbitration has to be played out.
"""

import os

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


one_node_goes_on()
port_closed()
wakes_alone()
