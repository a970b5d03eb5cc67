#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""same_verdict: two reports on the same night, one live, one imported: what a person would act on must be the same.

usage: same_verdict.py LIVE.json IMPORTED.json      prints ok / not ok lines
"""
import json
import sys

bad = 0


def check(name, live, imported, close=None):
    global bad
    same = live == imported if close is None else live is not None and imported is not None and abs(live - imported) <= close
    if same:
        print("ok - the same: %s" % name)
    else:
        bad = 1
        print("not ok - the same: %s: live %s, imported %s" % (name, live, imported))


def suspects(finding):
    return [(s["node"], s["bus"], s["role"], s["standing"], s["ids"]) for s in finding["suspects"]]


def worst(name, pairs, close):
    """The largest difference of many pairs of numbers; null only beside null."""
    odd = [p for p in pairs if (p[0] is None) != (p[1] is None)]
    most = max([abs(a - b) for a, b in pairs if a is not None and b is not None], default=0)
    check("%s (within %g)" % (name, close), "%d odd, %.4f" % (len(odd), most) if odd or most > close else "close", "close")


def main(live_file, imported_file):
    with open(live_file, encoding="utf-8") as a, open(imported_file, encoding="utf-8") as b:
        live, imported = json.load(a), json.load(b)
    check("findings", [f["code"] for f in live["findings"]], [f["code"] for f in imported["findings"]])
    check("suspects", [suspects(f) for f in live["findings"]], [suspects(f) for f in imported["findings"]])
    worst("confidence", [(s["confidence"], t["confidence"]) for f, g in zip(live["findings"], imported["findings"])
                         for s, t in zip(f["suspects"], g["suspects"])], 0.02)
    check("buses", [x["name"] for x in live["buses"]], [x["name"] for x in imported["buses"]])
    check("frames", [x["frames"] for x in live["buses"]], [x["frames"] for x in imported["buses"]])
    check("key-off by", live["key_off"]["by"], imported["key_off"]["by"])
    for x, y in zip(live["buses"], imported["buses"]):
        check("number of spells", len(x["spells"]), len(y["spells"]))
        pairs = list(zip(x["spells"], y["spells"]))
        shift = pairs[0][0]["from_s"] - pairs[0][1]["from_s"] if pairs else 0
        worst("begin of each spell", [(s["from_s"] - shift, t["from_s"]) for s, t in pairs], 0.05)
        worst("end of each spell", [(s["to_s"] - shift, t["to_s"]) for s, t in pairs], 0.05)
        for key in ("first_id", "waker", "keeper", "kind", "frames", "begun"):
            check("%s of each spell" % key, [s[key] for s, t in pairs if s[key] != t[key]],
                  [t[key] for s, t in pairs if s[key] != t[key]])
        worst("first quiet", [(x["first_quiet_s"] and x["first_quiet_s"] - shift, y["first_quiet_s"])], 0.1)
        check("state at the end", x["state_at_end"], y["state_at_end"])
    check("nodes", [(n["name"], n["bus"], n["named_by"], n["ids"]) for n in live["nodes"]],
          [(n["name"], n["bus"], n["named_by"], n["ids"]) for n in imported["nodes"]])
    check("IDs", [(i["id"], i["frames"]) for i in live["ids"]], [(i["id"], i["frames"]) for i in imported["ids"]])
    worst("period of each ID", [(i["period_ms"], j["period_ms"]) for i, j in zip(live["ids"], imported["ids"])], 0.5)
    blind = [[c for c in r["coverage"]["blind"] if c["to_s"] - c["from_s"] > 2] for r in (live, imported)]
    check("reasons of blind times", [c["why"] for c in blind[0]], [c["why"] for c in blind[1]])
    # What was heard since the last batch of a recorder that was killed is lost with it.
    for close, killed in ((1.5, False), (31, True)):
        worst("length of blind times%s" % (" after a kill" if killed else ""),
              [(c["to_s"] - c["from_s"], d["to_s"] - d["from_s"]) for c, d in zip(*blind)
               if (c["why"] == "recorder restarted") == killed], close)
    sys.exit(bad)


if __name__ == "__main__":
    main(*sys.argv[1:])
