#!/usr/bin/env python3
"""Makes the figures of a show report again, from samples.csv alone, by numpy, and compares.

    twinkeel report SHOW --csv DIR; python3 tests/outside/report_numpy.py DIR

Start skew, medians, extremes and shares must agree to the last digit written. Drift and its uncertainty are made twice: by
numpy's general least squares (numpy.linalg.lstsq on a design matrix with one slope and a height for each stretch between
steps, its covariance from the normal equations), and widened for the likeness of neighbouring residuals by
(1 + r) / (1 - r) (Santer et al. 2000, JGR 105 D6 7337, from memory), r kept within 0 and 0.95. Only the instants of the
steps are taken from the report (steps.csv): their heights are made again.
"""
import csv
import sys
from pathlib import Path

import numpy as np


def read(folder, name):
    with open(Path(folder) / name, newline="", encoding="utf-8") as f:
        return list(csv.DictReader(f))


def number(text):
    return float(text) if text != "" else None


def means(t, y):
    """Means of whole seconds with at least five samples."""
    out = []
    for second in np.unique(np.floor(t)):
        inside = np.floor(t) == second
        if inside.sum() >= 5:
            out.append((t[inside].mean(), y[inside].mean()))
    return np.array(out).reshape(-1, 2)


def drift(t, y, cuts):
    """Slope, two standard deviations, number of means, heights at the cuts; y in ms, t in s, so ms/s = 1000 ppm."""
    edges = [-np.inf, *cuts, np.inf]
    stretches = [means(t[(t >= a) & (t < b)], y[(t >= a) & (t < b)]) for a, b in zip(edges, edges[1:])]
    used = [s for s in stretches if len(s) >= 2]
    n = sum(len(s) for s in used)
    if n < 10:
        return None
    design = np.zeros((n, 1 + len(used)))
    values = np.concatenate([s[:, 1] for s in used])
    row = 0
    for k, s in enumerate(used):
        design[row : row + len(s), 0] = s[:, 0]
        design[row : row + len(s), 1 + k] = 1.0
        row += len(s)
    beta, *_ = np.linalg.lstsq(design, values, rcond=None)
    residuals = values - design @ beta
    covariance = np.linalg.inv(design.T @ design) * (residuals @ residuals) / (n - design.shape[1])
    neighbours, row = 0.0, 0
    for s in used:
        e = residuals[row : row + len(s)]
        neighbours += float(e[1:] @ e[:-1])
        row += len(s)
    squares = float(residuals @ residuals)
    r = min(max(neighbours / squares, 0.0), 0.95) if squares > 0 else 0.0
    deviation = np.sqrt(covariance[0, 0] * (1 + r) / (1 - r))
    heights = [b - a for a, b in zip(beta[1:], beta[2:])]
    return beta[0] * 1e3, 2 * deviation * 1e3, n, heights


def main(folder):
    songs, samples, steps = (read(folder, n) for n in ("songs.csv", "samples.csv", "steps.csv"))
    wrong, checked = [], 0

    def same(what, told, made, within):
        nonlocal checked
        checked += 1
        if (told is None) != (made is None) or (told is not None and not abs(told - made) <= within):
            wrong.append(f"{what}: the report says {told}, numpy {made}")

    for song in songs:
        index, m = song["song_index"], song["machine"].lower()
        name = f"song {index} against {m.upper()}"
        rows = [s for s in samples if s["song_index"] == index]
        start = float(rows[0]["t_s"])
        known = [(float(s["t_s"]), float(s[f"{m}_offset_ms"])) for s in rows if s[f"{m}_offset_ms"] != ""]
        t, y = (np.array(c) for c in zip(*known)) if known else (np.array([]), np.array([]))
        first = y[t - start <= 1.0 + 1e-9]
        same(f"{name}, start skew", number(song["start_skew_ms"]), float(np.median(first)) if len(first) else None, 1.01e-4)
        same(f"{name}, median", number(song["median_ms"]), float(np.median(y)) if len(y) else None, 1.01e-4)
        same(f"{name}, share known", number(song["offset_known"]), len(y) / len(rows), 1e-6)
        if len(y):
            same(f"{name}, furthest", abs(number(song["worst_ms"])), float(np.abs(y).max()), 1e-4)
        cuts = [float(s["at_s"]) - start for s in steps if s["song_index"] == index and s["machine"].lower() == m]
        made = drift(t - start, y, [c - 1e-6 for c in cuts])
        same(f"{name}, drift", number(song["drift_ppm"]), made and made[0], 1e-3)
        same(f"{name}, drift uncertainty", number(song["drift_uncertainty_ppm"]), made and made[1], 1e-3)
        same(f"{name}, means", number(song["drift_means"]), made and made[2], 0)
        told = [float(s["by_ms"]) for s in steps if s["song_index"] == index and s["machine"].lower() == m]
        for k, (by, height) in enumerate(zip(told, made[3] if made else [])):
            same(f"{name}, step {k}", by, height, 2e-3)
        air = [s for s in rows if s["on_air"] not in ("", "conflict")]
        machines = [c[: -len("_fitness")] for c in rows[0] if c.endswith("_fitness")]
        fit = [any(s[f"{o}_fitness"] == "fit" for o in machines if o != s["on_air"].lower()) for s in air]
        same(f"{name}, standby fit", number(song["standby_fit"]), float(np.mean(fit)) if air else None, 1e-6)
        jumps = np.array([abs(float(s["takeover_jump_ms"])) for s in rows if s["takeover_jump_ms"] != ""])
        same(f"{name}, jump, median", number(song["takeover_median_ms"]), float(np.median(jumps)) if len(jumps) else None, 1.01e-4)
        worst = number(song["takeover_worst_ms"])
        same(f"{name}, jump, worst", worst and abs(worst), float(jumps.max()) if len(jumps) else None, 1e-4)
    for line in wrong:
        print("WRONG", line)
    print(f"{checked} figures of {len(songs)} songs made again by numpy {np.__version__}, {len(wrong)} differ")
    return 1 if wrong or not checked else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
