#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""claims: address claims in the report's JSON against tshark's bytes of the same open capture, decoded here."""
import json
import os
import subprocess
import sys
import tempfile


def main():
    lull, shared = os.environ["LULL"], os.environ["LULL_SHARED"]
    bad = 0
    for name in ("can0-1", "can0-2"):
        path = f"{shared}/data/nmea2000/{name}.pcap"
        want = set()
        rows = subprocess.run(["tshark", "-r", path, "-T", "fields", "-e", "can.id", "-e", "data.data", "-Y", "can.flags.xtd == 1"],
                              check=True, capture_output=True, text=True).stdout
        for row in rows.splitlines():
            ident, _, data = row.partition("\t")
            ident = int(ident, 0) & 0x1FFFFFFF
            if ident >> 8 & 0xFFFF == 0xEEFF and len(data) == 16:
                value = int.from_bytes(bytes.fromhex(data), "little")
                want.add((ident & 0xFF, value & 0x1FFFFF, value >> 21 & 0x7FF, value >> 40 & 0xFF, value >> 60 & 7))
        with tempfile.TemporaryDirectory() as work:
            night = f"{work}/night.lull"
            subprocess.run([lull, "import", "--can", path, "-o", night], check=True, capture_output=True)
            report = json.loads(subprocess.run([lull, "report", "--format", "json", night], capture_output=True, text=True).stdout)
        got = {(c["address"], c["identity"], c["manufacturer"], c["function"], c["industry_group"])
               for n in report["nodes"] for c in n.get("claims", [])}
        if want and got == want:
            print(f"ok - {name}: {len(want)} address claims as tshark has them")
        else:
            bad = 1
            print(f"not ok - {name}: claims differ: {sorted(got ^ want)} of {len(want)}")
    return bad


if __name__ == "__main__":
    sys.exit(main())
