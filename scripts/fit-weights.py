#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""fit-weights: from rows of `nights --evidence` to the lines of src/core/weights.h.

usage: fit-weights.py FIT.csv HELD-OUT.csv

The probability of a suspect is logistic: one coefficient for its clue, one for each doubt that applies; of a list, that the
right one is in it. Where timing grouped the node's IDs it is multiplied by the probability that the ID in which the clue was
seen is the node's own: what kin says, its odds times one factor. All are fitted at once by maximum likelihood with half a
right and half a wrong suspect added to every clue, and a normal prior of that weight on the doubts, then shown on nights that
were not fitted on.
"""
import csv
import math
import sys

import numpy as np
from scipy.optimize import minimize

DOUBTS = {1: "INFERRED", 2: "FIRST_THERE", 4: "ONCE", 8: "GROUPED"}
PRIOR_SD = 2.0  # of a doubt's coefficient: a factor of e^2 on the odds is nothing unusual


def read(path):
    with open(path, newline="", encoding="utf-8") as f:
        rows = list(csv.DictReader(f))
    for r in rows:
        r["several"] = int(r["several"])
        r["doubts"] = int(r["doubts"])
        r["confidence"] = float(r["confidence"])
        r["kin"] = float(r["kin"])
        r["right"] = float(r["right"])
    return rows


def cases(rows):
    """One case a clue and finding: (clue, doubts, share right, kin). What a test of a plug left of other clues is not theirs any more."""
    lists = {}
    for i, r in enumerate(rows):
        if r["scenario"].startswith("pull") and not r["clue"].startswith("pull"):
            continue
        alone = r["several"] == 1 and not r["clue"].endswith("several")
        key = i if alone else (r["scenario"], r["seed"], r["code"], r["clue"])
        clue, doubts, right, kin = lists.get(key, (r["clue"], 0, 0.0, []))
        # of a list a doubt holds if it holds for one of it
        lists[key] = (clue, doubts | r["doubts"], right + r["right"], kin + [r["kin"] or 1.0])
    return [(clue, doubts, right, sum(kin) / len(kin)) for clue, doubts, right, kin in lists.values()]


def sender(kin, factor):
    """The probability, and its slope by the factor's logarithm."""
    odds = math.exp(factor) * kin / np.maximum(1 - kin, 1e-12)
    p = np.where(kin < 1, odds / (1 + odds), 1.0)
    return p, p * (1 - p)


def fit(found):
    names = sorted({f[0] for f in found if f[0] != "none"})
    used = [d for d in DOUBTS if any(f[1] & d for f in found if f[0] != "none")]
    found = [f for f in found if f[0] != "none"]
    clue = np.array([names.index(f[0]) for f in found])
    flags = np.array([[bool(f[1] & d) for d in used] for f in found], dtype=float).reshape(len(found), len(used))
    right = np.array([min(f[2], 1.0) for f in found])
    kin = np.array([f[3] for f in found])

    def cost(x):
        own, less, factor = x[: len(names)], x[len(names) : -1], x[-1]
        z = own[clue] + flags @ less
        p = 1 / (1 + np.exp(-z))
        s, more = sender(kin, factor)
        q = p * s
        value = -np.sum(right * np.log(q) + (1 - right) * np.log1p(-q))
        by_q = (q - right) / (q * (1 - q))
        by_z, by_factor = by_q * s * p * (1 - p), by_q * p * more
        slope = np.concatenate([np.bincount(clue, by_z, len(names)), flags.T @ by_z, [np.sum(by_factor) + factor / PRIOR_SD**2]])
        value += factor**2 / (2 * PRIOR_SD**2)
        # half a right and half a wrong suspect a clue
        value += np.sum(np.logaddexp(0, own) - own / 2)
        slope[: len(names)] += 1 / (1 + np.exp(-own)) - 0.5
        value += np.sum(less**2) / (2 * PRIOR_SD**2)
        slope[len(names) : -1] += less / PRIOR_SD**2
        return value, slope

    best = minimize(cost, np.zeros(len(names) + len(used) + 1), jac=True, method="BFGS")
    own = dict(zip(names, best.x[: len(names)]))
    less = dict(zip(used, best.x[len(names) : -1]))
    return own, less, best.x[-1]


def counted(found, test):
    hits = [r for f in found if test(f) for r in [min(f[2], 1.0)]]
    return len(hits), sum(hits)


def wilson(hit, n, z):
    p, d = hit / n, 1 + z * z / n
    return (p + z * z / (2 * n) + z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))) / d


def confidence(r, own, less, factor):
    if r["clue"] not in own:
        return r["confidence"]
    z = own[r["clue"]] + sum(v for d, v in less.items() if r["doubts"] & d)
    return float(sender(np.array(r["kin"] or 1.0), factor)[0]) / (1 + math.exp(-z)) / r["several"]


def table(rows, stated):
    print("confidence   suspects   mean   right   95 % interval")
    for b in range(10):
        at = [i for i in range(len(rows)) if min(int(stated[i] * 10), 9) == b]
        if not at:
            continue
        n, hit = len(at), sum(rows[i]["right"] for i in at)
        mean = sum(stated[i] for i in at) / n
        low, high = wilson(hit, n, -1.96), wilson(hit, n, 1.96)
        print(f"{b / 10:.1f} - {(b + 1) / 10:.1f}    {n:8d}   {mean:.3f}  {hit / n:.3f}   {low:.3f} - {high:.3f}"
              + ("" if low <= mean <= high else "  outside"))


def main():
    fitted, held = read(sys.argv[1]), read(sys.argv[2])
    found, outside = cases(fitted), cases(held)
    own, less, factor = fit(found)
    print("clue                  cases  right   held out  right   weight")
    for name in sorted(own, key=lambda k: -own[k]):
        n, hit = counted(found, lambda f, name=name: f[0] == name)
        m, more = counted(outside, lambda f, name=name: f[0] == name)
        print(f"{name:20s} {n:6d}  {hit / n:.3f}   {m:8d}  {more / m if m else math.nan:.3f}   {1 / (1 + math.exp(-own[name])):.3f}")
    for d, value in less.items():
        n, hit = counted(found, lambda f, d=d: f[1] & d)
        m, more = counted(outside, lambda f, d=d: f[1] & d)
        print(f"doubt {DOUBTS[d]:14s} {n:6d}  {hit / n:.3f}   {m:8d}  {more / m if m else math.nan:.3f}   odds times {math.exp(value):.2f}")
    print(f"kin: odds times {math.exp(factor):.2f}")
    print("\nfor src/core/weights.h:")
    for name in own:
        print(f"\tX(LULL_CLUE_{name.upper().replace('-', '_')}, {1 / (1 + math.exp(-own[name])):.3f}) \\")
    for d, value in less.items():
        print(f"\tX(LULL_DOUBT_{DOUBTS[d]}, {math.exp(value):.2f}) \\")
    print("\nheld-out nights, as the weights in force have it:")
    table(held, [r["confidence"] for r in held])
    print("\nheld-out nights, with the weights fitted here (tests that were pulled left out):")
    table(held, [confidence(r, own, less, factor) for r in held])


if __name__ == "__main__":
    main()
