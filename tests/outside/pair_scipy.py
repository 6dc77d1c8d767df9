#!/usr/bin/env python3
"""Holds `twinkeel inspect pair` against recordings whose offset, drift, steps, gain and dropouts are known, since numpy and
scipy made them: delays to a fraction of a sample by numpy's FFT, drift by reading a band-limited signal off at other instants,
sample rates by scipy.signal.resample_poly, equalisers by scipy.signal's filters, noise seeded. Beside each offset stands what
scipy's FFT gives with the textbook GCC-PHAT (Knapp and Carter 1976) and a parabola, on the same files, with both times.

    tests/outside/pair_scipy.py TWINKEEL [NAME]

NAME runs the cases whose name contains it. Accuracy is asserted against the truth alone. Exit code 1 when anything differs.
"""

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import scipy.fft
import scipy.io.wavfile
import scipy.signal

RATE = 48_000


def rng(seed):
    return np.random.default_rng(seed)


# --- material -------------------------------------------------------------------------------------------------------------------


def noise(seconds, seed, rate=RATE):
    """White noise, band-limited to nine tenths of half the rate, so that delays of a fraction are exact."""
    n = int(seconds * rate)
    spectrum = scipy.fft.rfft(rng(seed).standard_normal(n))
    f = np.linspace(0, 1, len(spectrum))
    spectrum *= np.clip((0.95 - f) / 0.05, 0, 1)
    x = scipy.fft.irfft(spectrum, n)
    return 0.1 * x / np.std(x)


def music(seconds, seed, rate=RATE):
    """Notes with harmonics that decay, drums of filtered noise, now and then a rest: nothing recorded, all by the seed."""
    r = rng(seed)
    n = int(seconds * rate)
    x = np.zeros(n)
    t = 0.0
    while t < seconds:
        for _ in range(r.integers(1, 4)):
            f = 55 * 2 ** (r.integers(0, 48) / 12)
            length = min(int(r.uniform(0.2, 1.2) * rate), n - int(t * rate))
            if length <= 0:
                continue
            s = np.arange(length) / rate
            tone = sum(r.uniform(0.2, 1) / h * np.sin(2 * np.pi * f * h * s + r.uniform(0, 6)) for h in range(1, 9) if f * h < 18_000)
            x[int(t * rate) : int(t * rate) + length] += tone * np.exp(-3 * s) * np.minimum(1, s / 0.005) * 0.1
        if r.random() < 0.7:
            length = min(int(0.15 * rate), n - int(t * rate))
            s = np.arange(length) / rate
            x[int(t * rate) : int(t * rate) + length] += 0.15 * r.standard_normal(length) * np.exp(-30 * s)
        t += r.choice([0.125, 0.25, 0.25, 0.5])
    b = scipy.signal.firwin(255, 0.85)
    return np.convolve(x, b, "same")


def speech(seconds, seed, rate=RATE):
    """Pulses at a wandering pitch through two wandering formants, hiss, and pauses."""
    r = rng(seed)
    n = int(seconds * rate)
    x = np.zeros(n)
    at = 0
    while at < n:
        length = min(int(r.uniform(0.08, 0.35) * rate), n - at)
        if r.random() < 0.25:
            at += length
            continue
        pitch = r.uniform(90, 220) * (1 + 0.1 * np.linspace(-1, 1, length) * r.uniform(-1, 1))
        phase = np.cumsum(pitch) / rate
        source = np.diff(np.floor(phase), prepend=0) + 0.05 * r.standard_normal(length)
        if r.random() < 0.3:
            source = 0.4 * r.standard_normal(length)
        for f in (r.uniform(300, 900), r.uniform(1000, 2600)):
            b, a = scipy.signal.iirpeak(f, 6, fs=rate)
            source = scipy.signal.lfilter(b, a, source) + 0.1 * source
        x[at : at + length] += source * np.hanning(length)
        at += length
    return np.convolve(0.3 * x / np.max(np.abs(x)), scipy.signal.firwin(255, 0.85), "same")


def clicks(seconds, seed, rate=RATE, bpm=120.0):
    """A bare click, each the same."""
    n = int(seconds * rate)
    x = np.zeros(n)
    s = np.arange(int(0.02 * rate)) / rate
    click = 0.5 * np.sin(2 * np.pi * 1500 * s) * np.exp(-200 * s)
    step = int(rate * 60 / bpm)
    for at in range(step // 3, n - len(s), step):
        x[at : at + len(s)] += click
    return x


# --- what happens to B ----------------------------------------------------------------------------------------------------------


def delay(x, samples):
    """Later by any fraction: the spectrum turned. What is pushed out at one end does not come in at the other."""
    pad = int(abs(samples)) + 4096
    y = np.concatenate([np.zeros(pad), x, np.zeros(pad)])
    size = scipy.fft.next_fast_len(len(y), real=True)
    f = np.arange(size // 2 + 1) / size
    y = scipy.fft.irfft(scipy.fft.rfft(y, size) * np.exp(-2j * np.pi * f * samples), size)
    return y[pad : pad + len(x)]


def read_at(x, places):
    """x at any places, by a sinc of 64 samples under Kaiser's window."""
    whole = np.floor(places).astype(int)
    part = places - whole
    y = np.zeros(len(places))
    for k in range(-31, 33):
        i = whole + k
        inside = (i >= 0) & (i < len(x))
        d = part - k
        w = np.sinc(d) * np.i0(9 * np.sqrt(np.clip(1 - (d / 32.5) ** 2, 0, 1))) / np.i0(9)
        y += np.where(inside, x[np.clip(i, 0, len(x) - 1)], 0) * w
    return y


def drifting(x, ppm, at_middle):
    """B runs `ppm` fast and lies `at_middle` samples late in the middle: offset(t) = at_middle - ppm (t - middle)."""
    t = np.arange(len(x), dtype=float)
    return read_at(x, t - (at_middle - ppm * 1e-6 * (t - len(x) / 2)))


def with_noise(x, db, seed):
    return x + np.std(x) * 10 ** (-db / 20) * rng(seed).standard_normal(len(x))


def loudest(x, length):
    """Where a stretch of this length is loudest: a dropout in a rest is none that anybody could tell."""
    sums = np.concatenate([[0], np.cumsum(x**2)])
    return int(np.argmax(sums[length:] - sums[:-length]))


# --- cases ----------------------------------------------------------------------------------------------------------------------


def cases():
    """name, A, B, what must be said, options: dict(rate_b, bits, more)."""
    ten = {"noise": noise(10, 1), "music": music(10, 2), "speech": speech(10, 3)}
    for name, x in ten.items():
        for d in (0.0, 0.37, -12.25, 1234.5):
            yield f"{name}, delay {d}", x, delay(x, d), dict(offset=(d, 0.05), drift=0, gain=0, steps=[], dropouts=[]), {}
        yield f"{name}, -12 dB", x, 10 ** (-12 / 20) * delay(x, 100.3), dict(offset=(100.3, 0.05), gain=-12), {}
        yield f"{name}, inverted", x, -delay(x, -77.6), dict(offset=(-77.6, 0.05), polarity="inverted"), {}
        for db, tol in ((20, 0.2), (10, 0.5), (0, 1.0)):
            a, b = with_noise(x, db, 10), with_noise(delay(x, 250.4), db, 11)
            yield f"{name}, both {db} dB over noise", a, b, dict(offset=(250.4, tol), steps=[], dropouts=[]), {}
            yield f"{name}, B {db} dB over noise", x, b, dict(offset=(250.4, tol), steps=[], dropouts=[]), {}
        filters = {
            "low-pass 5 kHz": scipy.signal.butter(2, 5000, "low", fs=RATE, output="sos"),
            "high-pass 200 Hz": scipy.signal.butter(2, 200, "high", fs=RATE, output="sos"),
            "band-pass": scipy.signal.butter(2, (300, 6000), "band", fs=RATE, output="sos"),
        }
        for what, sos in filters.items():
            b = scipy.signal.sosfilt(sos, delay(x, 33.3))
            yield f"{name}, {what}", x, b, dict(offset=(33.3, 0.5), steps=[], dropouts=[]), {}
        b = scipy.signal.lfilter(*scipy.signal.iirpeak(2500, 2, fs=RATE), delay(x, 33.3)) * 2 + delay(x, 33.3)
        yield f"{name}, peak at 2.5 kHz", x, b, dict(offset=(33.3, 0.2), steps=[]), {}
        b = np.convolve(delay(x, 33.3), scipy.signal.firwin(101, 6000, fs=RATE), "same")
        yield f"{name}, linear-phase low-pass", x, b, dict(offset=(33.3, 0.1), steps=[]), {}
        for ppm in (50, -50, 5):
            b = drifting(x, ppm, 20.5)
            yield f"{name}, B {ppm} ppm fast", x, b, dict(offset=(20.5, 0.1), drift=-ppm, steps=[], dropouts=[]), {}
        b = drifting(with_noise(x, 10, 5), 50, -300)
        yield f"{name}, 50 ppm fast in noise", x, with_noise(b, 10, 6), dict(offset=(-300, 0.5), drift=-50, steps=[]), {}
        for jump in (480, -37, 12_000):
            at = int(6.2 * RATE)
            b = np.concatenate([x[:at], x[at + jump :], np.zeros(max(jump, 0))])[: len(x)] if jump > 0 else np.concatenate([x[:at], x[at + jump :]])[: len(x)]
            yield f"{name}, skips {jump}", x, delay(b, 10), dict(steps=[(at / RATE, 10, 10 - jump)]), {}
        b = delay(x, 96.0)
        at = loudest(b, 2_400)
        b[at : at + 2_400] = 0
        yield f"{name}, dropout of B", x, b, dict(offset=(96, 0.05), steps=[], dropouts=[("b", at, at + 2_400)]), {}
        a = x.copy()
        at = loudest(x, 960)
        a[at : at + 960] = 0
        yield f"{name}, dropout of A", a, delay(x, -96.5), dict(offset=(-96.5, 0.05), steps=[], dropouts=[("a", at, at + 960)]), {}
        yield f"{name}, 3.5 s late", x, delay(x, 168_000.3), dict(offset=(168_000.3, 0.05), steps=[], dropouts=[]), {}
        yield f"{name}, 4 s early", x, delay(x, -192_000.7), dict(offset=(-192_000.7, 0.05), steps=[], dropouts=[]), {}
        b = scipy.signal.resample_poly(delay(x, 75.25), 147, 160)
        yield f"{name}, B at 44.1 kHz", x, b, dict(offset=(75.25, 0.1), drift=0, steps=[]), dict(rate_b=44_100)
        a = scipy.signal.resample_poly(x, 147, 160)
        yield f"{name}, A at 44.1 kHz", a, delay(x, 75.25), dict(offset=(75.25 * 147 / 160, 0.1), drift=0), dict(rate_a=44_100)
        yield f"{name}, A shorter", x[100_000:244_000], delay(x, 50.5), dict(offset=(100_050.5, 0.05)), {}
        yield f"{name}, B shorter", x, delay(x, 50.5)[100_000:244_000], dict(offset=(-99_949.5, 0.05)), {}
        yield f"{name}, 1 s", x[RATE * 2 : RATE * 3], delay(x, 5.5)[RATE * 2 : RATE * 3], dict(offset=(5.5, 0.05)), {}
    x = ten["music"]
    for bits in (16, 24, 32, "float"):
        yield f"music, {bits} bits", x, delay(x, 8.8), dict(offset=(8.8, 0.05)), dict(bits=bits)
    yield "noise, 0.1 s", ten["noise"][:4800], delay(ten["noise"], 3.3)[:4800], dict(offset=(3.3, 0.1)), {}
    kinds = {"noise": noise, "music": music, "speech": speech}
    for i, one in enumerate(kinds):
        for j, other in enumerate(kinds):
            yield f"unrelated: {one}, {other}", kinds[one](10, 100 + i), kinds[other](10, 200 + j), dict(match=False), {}
    for seed in range(4):
        yield f"unrelated: music {seed}", music(6, 300 + seed), music(6, 400 + seed), dict(match=False), {}
        yield f"unrelated: speech {seed}", speech(6, 300 + seed), speech(6, 400 + seed), dict(match=False), {}
    yield "unrelated: 1 s", noise(1, 31), noise(1, 32), dict(match=False), {}
    yield "A is silent", np.zeros(RATE * 4), x[: RATE * 4], dict(match=False), {}
    yield "B is silent", x[: RATE * 4], np.zeros(RATE * 4), dict(match=False), {}
    c = clicks(10, 0)
    yield "bare click", c, delay(c, 100.25), dict(offset=(100.25, 0.1), period=24_000), {}
    yield "bare click in noise", with_noise(c, 10, 1), with_noise(delay(c, 100.25), 10, 2), dict(offset=(100.25, 0.5), period=24_000), {}
    loop = np.tile(music(1, 9), 10)
    yield "loop of 1 s", loop, delay(loop, -333.5), dict(offset=(-333.5, 0.05), period=RATE), {}
    for name in ("music", "speech", "noise"):
        yield f"{name} does not repeat", ten[name], ten[name], dict(offset=(0, 0.01), period=None), {}
    two = np.stack([ten["music"], ten["speech"]])
    late = np.stack([delay(ten["music"], 10), delay(ten["speech"], 20)])
    yield "stereo, second channel", two.T, late.T, dict(offset=(20, 0.05)), dict(more=["--channel-a", "2", "--channel-b", "2"])
    yield "stereo, unlike channels", two.T, late.T, dict(match=False), dict(more=["--channel-a", "1", "--channel-b", "2"])
    yield "stereo against mono", np.stack([x, x]).T, delay(x, 10.5), dict(offset=(10.5, 0.05)), {}


def write(path, rate, x, bits):
    x = np.asarray(x)
    if bits == 16:
        data = np.clip(np.round(x * 32768), -32768, 32767).astype(np.int16)
    elif bits == 24:
        # scipy writes no packed 24 bits; 32 with the last byte empty hold the same.
        data = (np.round(x * 2**23).astype(np.int64) * 256).astype(np.int32)
    elif bits == 32:
        data = np.round(x * (2**31 - 1)).astype(np.int32)
    else:
        data = x.astype(np.float32)
    scipy.io.wavfile.write(path, rate, data)


def phat(a, b):
    """GCC-PHAT as in the textbook, with a parabola over the peak."""
    a, b = (np.asarray(v) if np.ndim(v) == 1 else np.mean(v, axis=1) for v in (a, b))
    n = scipy.fft.next_fast_len(len(a) + len(b), real=True)
    g = scipy.fft.rfft(b, n) * np.conj(scipy.fft.rfft(a, n))
    r = scipy.fft.irfft(g / np.maximum(np.abs(g), 1e-20), n)
    i = int(np.argmax(np.abs(r)))
    x, y, z = (abs(r[(i + k) % n]) for k in (-1, 0, 1))
    i = i if i < len(b) else i - n
    return i + (0.5 * (x - z) / (x - 2 * y + z) if x - 2 * y + z else 0.0)


def differences(code, s, want):
    """What is not as it must be."""
    wrong = []
    match = want.get("match", True)
    if s["match"] != match or code != (0 if match else 1):
        return [f"match {s['match']} (exit {code}), wanted {match}; reason {s.get('reason')}"]
    if not match:
        return [] if s["reason"] and s["offset_samples"] is None else ["no reason, or an offset though nothing matches"]
    if "offset" in want:
        truth, tolerance = want["offset"]
        error = s["offset_samples"] - truth
        if abs(error) > tolerance:
            wrong.append(f"offset off by {error:+.4f}, allowed {tolerance}")
        if abs(error) > 1.5 * s["uncertainty_samples"]:
            wrong.append(f"offset off by {error:+.4f}, said to be within {s['uncertainty_samples']:.4f}")
    if "drift" in want:
        error = s["drift_ppm"] - want["drift"]
        if abs(error) > 1 or abs(error) > 1.5 * s["drift_uncertainty_ppm"]:
            wrong.append(f"drift off by {error:+.4f} ppm, said to be within {s['drift_uncertainty_ppm']:.4f}")
    if "gain" in want and abs(s["gain_db"] - want["gain"]) > 0.1:
        wrong.append(f"gain {s['gain_db']:.3f}, wanted {want['gain']}")
    if s["polarity"] != want.get("polarity", "same"):
        wrong.append(f"polarity {s['polarity']}")
    if "steps" in want:
        got = s["steps"]
        ok = len(got) == len(want["steps"])
        for g, (t, a, b) in zip(got, want["steps"]):
            ok &= abs(g["t"] - t) < 0.05 and abs(g["from_samples"] - a) < 0.5 and abs(g["to_samples"] - b) < 0.5
        if not ok:
            wrong.append(f"steps {got}, wanted {want['steps']}")
    if "dropouts" in want:
        got = [(d["machine"], d["from_sample"], d["to_sample"]) for d in s["dropouts"]]
        ok = len(got) == len(want["dropouts"]) and all(
            g[0] == w[0] and abs(g[1] - w[1]) <= 2 and abs(g[2] - w[2]) <= 2 for g, w in zip(got, want["dropouts"])
        )
        if not ok:
            wrong.append(f"dropouts {got}, wanted {want['dropouts']}")
    period = s["ambiguous_period_samples"]
    if "period" in want:
        if (period is None) != (want["period"] is None) or (period and abs(period - want["period"]) > 1):
            wrong.append(f"period {period}, wanted {want['period']}")
    elif period is not None:
        wrong.append(f"period {period}, wanted none")
    return wrong


def main():
    twinkeel, only = sys.argv[1], (sys.argv[2:] or [""])[0]
    failures = count = 0
    times, errors, inside = [0.0, 0.0], [], []
    print(f"{'case':34}{'truth':>12}{'error':>10}{'sure to':>9}{'PHAT error':>12}{'drift':>9}{'conf.':>7}{'s':>7}{'PHAT s':>7}")
    with tempfile.TemporaryDirectory() as folder:
        for name, a, b, want, how in cases():
            if only not in name:
                continue
            fa, fb = Path(folder) / "a.wav", Path(folder) / "b.wav"
            bits = how.get("bits", "float")
            write(fa, how.get("rate_a", RATE), a, bits)
            write(fb, how.get("rate_b", RATE), b, bits)
            begun = time.perf_counter()
            r = subprocess.run(
                [twinkeel, "inspect", "pair", fa, fb, "--json", *how.get("more", [])], capture_output=True, text=True
            )
            took = time.perf_counter() - begun
            count += 1
            if r.returncode not in (0, 1):
                failures += 1
                print(f"DIFFERS: {name}: exit {r.returncode}: {r.stderr}")
                continue
            lines = [json.loads(line) for line in r.stdout.splitlines()]
            s = lines[-1]["summary"]
            begun = time.perf_counter()
            other = phat(a, b) if "rate_a" not in how and "rate_b" not in how else float("nan")
            theirs = time.perf_counter() - begun
            times[0] += took
            times[1] += theirs
            truth = want.get("offset", (float("nan"),))[0]
            said = s["offset_samples"] if s["match"] else float("nan")
            sure = s["uncertainty_samples"] if s["match"] else float("nan")
            if np.isfinite(truth) and np.isfinite(said):
                errors.append((abs(said - truth), abs(other - truth)))
                inside.append(abs(said - truth) <= sure)
            drift = s["drift_ppm"] if s["drift_ppm"] is not None else float("nan")
            conf = np.mean([w["confidence"] for w in lines[:-1]]) if lines[:-1] else 0.0
            print(
                f"{name:34}{truth:12.2f}{said - truth:+10.4f}{sure:9.4f}{other - truth:+12.3f}{drift:+9.3f}{conf:7.2f}"
                f"{took:7.2f}{theirs:7.2f}"
            )
            for what in differences(r.returncode, s, want):
                failures += 1
                print(f"DIFFERS: {name}: {what}")
            if not s["match"] and conf > 0.2:
                failures += 1
                print(f"DIFFERS: {name}: nothing matches, yet confidence {conf:.2f}")
    e = np.array([x for x in errors if np.all(np.isfinite(x))])
    if len(e):
        print(f"{count} pairs, {failures} differences; median error {np.median(e[:, 0]):.4f} samples, PHAT {np.median(e[:, 1]):.4f}")
        print(f"within half a sample: {np.mean(e[:, 0] < 0.5):.0%}, PHAT {np.mean(e[:, 1] < 0.5):.0%}")
        print(f"inside the uncertainty: {np.mean(inside):.0%} of {len(inside)}; {times[0]:.1f} s (with starting and reading), PHAT {times[1]:.1f} s")
    # Two standard deviations are claimed.
    if len(inside) >= 40 and np.mean(inside) < 0.9:
        failures += 1
        print("DIFFERS: the uncertainty is too small")
    sys.exit(1 if failures or not count else 0)


if __name__ == "__main__":
    main()
