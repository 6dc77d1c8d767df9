#!/usr/bin/env python3
"""Holds `twinkeel inspect drift` and `inspect clock` against numpy and scipy, which are other people's work.

1. Without steps the drift must be that of numpy.polyfit and scipy.stats.theilslopes to within its own uncertainty, and with
   white noise the uncertainty must be twice the standard error of scipy.stats.linregress, give or take a half.
2. With steps at known places the drift must be that of a least-squares fit (numpy.linalg.lstsq) with one level for each piece.
3. The offset and skew of a clean exchange record must be those of numpy.polyfit through RFC 5905's offsets.

    tests/outside/drift_numpy.py TWINKEEL

Needs numpy and scipy. Exit code 1 when anything differs.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy
import scipy.stats

WRONG = []


def inspect(twinkeel, what, text):
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "record.csv"
        file.write_text(text)
        run = subprocess.run([twinkeel, "inspect", what, str(file), "--json"], check=True, capture_output=True, text=True)
        lines = [json.loads(line) for line in run.stdout.splitlines()]
        return lines[:-1], lines[-1]["summary"]


def check(name, ok, told):
    print(("ok   " if ok else "WRONG"), name, told)
    if not ok:
        WRONG.append(name)


def offsets(twinkeel, t, ms):
    return inspect(twinkeel, "drift", "t_s,offset_ms\n" + "".join(f"{a:.6f},{b:.9f}\n" for a, b in zip(t, ms)))[1]


def drift(twinkeel, random):
    for n, spacing, ppm, noise in [(3000, 0.1, 20, 0.3), (15000, 0.02, -35, 0.1), (600, 1.0, 0.4, 0.05)]:
        t = numpy.arange(n) * spacing
        y = 3 + ppm * 1e-3 * t + noise * random.normal(size=n)
        s = offsets(twinkeel, t, y)
        fit, sen = numpy.polyfit(t, y, 1)[0] * 1e3, scipy.stats.theilslopes(y[:: n // 600], t[:: n // 600]).slope * 1e3
        error = scipy.stats.linregress(t, y).stderr * 1e3
        u = s["drift_uncertainty_ppm"]
        check(f"slope of {n}", abs(s["drift_ppm"] - fit) < 0.05 * u, f"{s['drift_ppm']:.4f} numpy {fit:.4f}")
        check(f"Theil-Sen of {n}", abs(s["drift_ppm"] - sen) < 3 * u, f"{s['drift_ppm']:.4f} scipy {sen:.4f}")
        check(f"uncertainty of {n}", 1.3 < u / error < 3.5, f"{u:.4f} twice scipy's {2 * error:.4f}")


def steps(twinkeel, random):
    for places, sizes in [([150], [5]), ([50, 120, 200], [4, -3, 2]), ([100, 110], [6, -6])]:
        n, t = 6000, numpy.arange(6000) * 0.05
        piece = numpy.searchsorted(places, t, side="right")
        y = 1 + 0.012 * t + numpy.concatenate([[0], numpy.cumsum(sizes)])[piece] + 0.2 * random.normal(size=n)
        design = numpy.column_stack([t] + [piece == k for k in range(len(places) + 1)]).astype(float)
        solution = numpy.linalg.lstsq(design, y, rcond=None)[0]
        s = offsets(twinkeel, t, y)
        u = s["drift_uncertainty_ppm"]
        check(f"drift past {places}", abs(s["drift_ppm"] - solution[0] * 1e3) < u, f"{s['drift_ppm']:.4f} numpy {solution[0] * 1e3:.4f}")
        found = [(x["t"], x["ms"]) for x in s["steps"]]
        near = len(found) == len(places) and all(
            abs(f[0] - p) <= 0.11 and abs(f[1] - d) < 0.12 for f, p, d in zip(found, places, numpy.diff(solution[1:]))
        )
        check(f"steps at {places}", near, found)


def clock(twinkeel, random):
    t1 = numpy.arange(1200) * 0.05
    go, back = 1e-4 + 2e-6 * random.random(1200), 1e-4 + 2e-6 * random.random(1200)
    skew, offset = 42e-6, -0.731
    t2 = t1 + go + offset + skew * (t1 + go)
    t3, t4 = t2 + 1e-4 * (1 + skew), t1 + go + 1e-4 + back
    text = "seq,t1,t2,t3,t4\n" + "".join(
        f"{i},{a:.9f},{b:.9f},{c:.9f},{d:.9f}\n" for i, (a, b, c, d) in enumerate(zip(t1, t2, t3, t4))
    )
    lines, summary = inspect(twinkeel, "clock", text)
    theta = ((t2 - t1) + (t3 - t4)) / 2
    last = t1 > t1[-1] - 48
    slope, level = numpy.polyfit(((t1 + t4) / 2)[last], theta[last], 1)
    e = lines[-1]
    check("all accepted", summary["accepted"] == 1200 and not summary["steps"], summary)
    check("skew", abs(e["skew_ppm"] - slope * 1e6) < 0.05, f"{e['skew_ppm']:.4f} numpy {slope * 1e6:.4f}")
    at = level + slope * t4[-1]
    check("offset", abs(e["offset_s"] - at) < 1e-6, f"{e['offset_s']:.9f} numpy {at:.9f}")


def main():
    random = numpy.random.default_rng(1065)
    for part in [drift, steps, clock]:
        part(sys.argv[1], random)
    return 1 if WRONG else 0


if __name__ == "__main__":
    sys.exit(main())
