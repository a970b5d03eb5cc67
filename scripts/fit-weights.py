#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""fit-weights: from rows of `nights --evidence` to the lines of src/core/weights.h.

usage: fit-weights.py FIT.csv HELD-OUT.csv

The probability of a suspect is logistic: one coefficient for its clue, one for each doubt that applies; of a list, that the
right one is in it. Fitted by maximum likelihood with half a right and half a wrong suspect added to every clue, and a
normal prior of that weight on the doubts, then shown on nights that were not fitted on.
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
        r["right"] = float(r["right"])
    return rows


def cases(rows):
    """One case a clue and finding: (clue, doubts, share right). What a test of a plug left of other clues is not theirs any more."""
    lists = {}
    for i, r in enumerate(rows):
        if r["scenario"].startswith("pull") and not r["clue"].startswith("pull"):
            continue
        alone = r["several"] == 1 and not r["clue"].endswith("several")
        key = i if alone else (r["scenario"], r["seed"], r["code"], r["clue"])
        clue, doubts, right = lists.get(key, (r["clue"], 0, 0.0))
        # of a list a doubt holds if it holds for one of it
        lists[key] = (clue, doubts | r["doubts"], right + r["right"])
    return list(lists.values())


def model(names, x, doubts):
    return x[: len(names)], x[len(names) : len(names) + len(doubts)]


def fit(found):
    names = sorted({c for c, _, _ in found if c != "none"})
    used = [d for d in DOUBTS if any(doubts & d for c, doubts, _ in found if c != "none")]
    found = [f for f in found if f[0] != "none"]
    clue = np.array([names.index(c) for c, _, _ in found])
    flags = np.array([[bool(doubts & d) for d in used] for _, doubts, _ in found], dtype=float).reshape(len(found), len(used))
    right = np.array([min(r, 1.0) for _, _, r in found])

    def cost(x):
        own, less = x[: len(names)], x[len(names) :]
        z = own[clue] + flags @ less
        p = 1 / (1 + np.exp(-z))
        value = np.sum(np.logaddexp(0, z) - right * z)
        slope = np.concatenate([np.bincount(clue, p - right, len(names)), flags.T @ (p - right)])
        # half a right and half a wrong suspect a clue
        value += np.sum(np.logaddexp(0, own) - own / 2)
        slope[: len(names)] += 1 / (1 + np.exp(-own)) - 0.5
        value += np.sum(less**2) / (2 * PRIOR_SD**2)
        slope[len(names) :] += less / PRIOR_SD**2
        return value, slope

    best = minimize(cost, np.zeros(len(names) + len(used)), jac=True, method="BFGS")
    own = dict(zip(names, best.x[: len(names)]))
    less = dict(zip(used, best.x[len(names) :]))
    return own, less


def counted(found, test):
    hits = [r for f in found if test(f) for r in [min(f[2], 1.0)]]
    return len(hits), sum(hits)


def wilson(hit, n, z):
    p, d = hit / n, 1 + z * z / n
    return (p + z * z / (2 * n) + z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))) / d


def confidence(r, own, less):
    if r["clue"] not in own:
        return r["confidence"]
    z = own[r["clue"]] + sum(v for d, v in less.items() if r["doubts"] & d)
    return 1 / (1 + math.exp(-z)) / r["several"]


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
    own, less = fit(found)
    print("clue                  cases  right   held out  right   weight")
    for name in sorted(own, key=lambda k: -own[k]):
        n, hit = counted(found, lambda f, name=name: f[0] == name)
        m, more = counted(outside, lambda f, name=name: f[0] == name)
        print(f"{name:20s} {n:6d}  {hit / n:.3f}   {m:8d}  {more / m if m else math.nan:.3f}   {1 / (1 + math.exp(-own[name])):.3f}")
    for d, value in less.items():
        n, hit = counted(found, lambda f, d=d: f[1] & d)
        m, more = counted(outside, lambda f, d=d: f[1] & d)
        print(f"doubt {DOUBTS[d]:14s} {n:6d}  {hit / n:.3f}   {m:8d}  {more / m if m else math.nan:.3f}   odds times {math.exp(value):.2f}")
    print("\nfor src/core/weights.h:")
    for name in own:
        print(f"\tX(LULL_CLUE_{name.upper().replace('-', '_')}, {1 / (1 + math.exp(-own[name])):.3f}) \\")
    for d, value in less.items():
        print(f"\tX(LULL_DOUBT_{DOUBTS[d]}, {math.exp(value):.2f}) \\")
    print("\nheld-out nights, as the weights in force have it:")
    table(held, [r["confidence"] for r in held])
    print("\nheld-out nights, with the weights fitted here (tests that were pulled left out):")
    table(held, [confidence(r, own, less) for r in held])


if __name__ == "__main__":
    main()
