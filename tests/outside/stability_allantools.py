#!/usr/bin/env python3
"""Holds `twinkeel inspect drift --frequency` and `--phase` against allantools (PyPI), which is other people's work.

The record is the 1000-point set of NIST SP 1065: n(i+1) = 16807 n(i) mod 2147483647 from 1234567890, over the modulus; and
a walk made of it, as phases at another spacing.

    tests/outside/stability_allantools.py TWINKEEL

Needs allantools and numpy. Exit code 1 when a figure differs by more than one part in a million.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import allantools
import numpy


def thousand():
    n, out = 1234567890, []
    for _ in range(1000):
        out.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return numpy.array(out)


def stability(twinkeel, kind, values, tau0):
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "column.txt"
        file.write_text("".join(f"{v:.17g}\n" for v in values))
        command = [twinkeel, "inspect", "drift", str(file), f"--{kind}", "--tau0", repr(tau0), "--json"]
        return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)["summary"]["stability"]


def main():
    twinkeel = sys.argv[1]
    frequency = thousand()
    records = [("frequency", "freq", frequency, 1.0), ("phase", "phase", numpy.cumsum(frequency - 0.5) * 1e-3, 0.25)]
    checked, wrong = 0, 0
    for kind, theirs, values, tau0 in records:
        rows = stability(twinkeel, kind, values, tau0)
        for name, function in [("adev", allantools.adev), ("oadev", allantools.oadev), ("mdev", allantools.mdev), ("tdev_s", allantools.tdev)]:
            for row in rows:
                if row[name] is None:
                    continue
                try:
                    _, expected, _, _ = function(values, rate=1 / tau0, data_type=theirs, taus=[row["tau_s"]])
                except UserWarning:
                    continue  # allantools leaves out what rests on a term or two.
                checked += 1
                if abs(row[name] / expected[0] - 1) > 1e-6:
                    wrong += 1
                    print(f"{kind} {name} at {row['tau_s']} s: {row[name]} against {expected[0]}")
    print(f"{checked} figures, {wrong} differ (allantools {allantools.__version__})")
    return 1 if wrong or checked < 40 else 0


if __name__ == "__main__":
    sys.exit(main())
