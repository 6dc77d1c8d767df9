#!/usr/bin/env python3
"""Holds the LTC reader and generator against libltc, which is other people's work.

1. libltc's encoder writes WAV files (rates, directions, levels, user bits, flags, sample rates); `twinkeel inspect ltc` must
   read every frame of them, no other, and each frame's edges to within one sample. (libltc starts each edge on a whole
   sample and lets it rise exponentially, so that its own edges are only that exact.)
2. The example `ltc_wav` of crate timecode writes WAV files with our generator; libltc's decoder must read every frame but
   those at the ends (it needs a sync word before and an edge after).

    tests/outside/ltc_libltc.py TWINKEEL LTC_WAV

Needs libltc (Debian: libltc11) and nothing beyond Python's standard library. Exit code 1 when anything differs.
"""

import array
import ctypes as c
import json
import subprocess
import sys
import tempfile
import wave
from fractions import Fraction
from pathlib import Path

import tally
from tally import check

lib = c.CDLL("libltc.so.11")


class Frame(c.Structure):
    """LTCFrame, as bytes: ten of them, least significant bit first."""

    _fields_ = [("b", c.c_ubyte * 10)]


class FrameExt(c.Structure):
    _fields_ = [
        ("ltc", Frame),
        ("off_start", c.c_longlong),
        ("off_end", c.c_longlong),
        ("reverse", c.c_int),
        ("biphase_tics", c.c_float * 80),
        ("sample_min", c.c_ubyte),
        ("sample_max", c.c_ubyte),
        ("volume", c.c_double),
    ]


class Smpte(c.Structure):
    _fields_ = [("timezone", c.c_char * 6)] + [
        (n, c.c_ubyte) for n in ("years", "months", "days", "hours", "mins", "secs", "frame")
    ]


lib.ltc_encoder_create.restype = c.c_void_p
lib.ltc_encoder_create.argtypes = [c.c_double, c.c_double, c.c_int, c.c_int]
for name in ("ltc_encoder_free", "ltc_encoder_inc_timecode", "ltc_encoder_dec_timecode", "ltc_encoder_encode_frame"):
    getattr(lib, name).argtypes = [c.c_void_p]
lib.ltc_encoder_encode_reversed_frame.argtypes = [c.c_void_p]
lib.ltc_encoder_set_timecode.argtypes = [c.c_void_p, c.POINTER(Smpte)]
lib.ltc_encoder_get_timecode.argtypes = [c.c_void_p, c.POINTER(Smpte)]
lib.ltc_encoder_set_user_bits.argtypes = [c.c_void_p, c.c_ulong]
lib.ltc_encoder_set_volume.argtypes = [c.c_void_p, c.c_double]
lib.ltc_encoder_set_filter.argtypes = [c.c_void_p, c.c_double]
lib.ltc_encoder_copy_buffer.argtypes = [c.c_void_p, c.c_char_p]
lib.ltc_decoder_create.restype = c.c_void_p
lib.ltc_decoder_create.argtypes = [c.c_int, c.c_int]
lib.ltc_decoder_free.argtypes = [c.c_void_p]
lib.ltc_decoder_write_s16.argtypes = [c.c_void_p, c.c_void_p, c.c_size_t, c.c_longlong]
lib.ltc_decoder_read.argtypes = [c.c_void_p, c.POINTER(FrameExt)]
lib.ltc_frame_to_time.argtypes = [c.POINTER(Smpte), c.POINTER(Frame), c.c_int]

TV_525_60, TV_625_50, TV_1125_60, FILM_24 = range(4)
USE_DATE, TC_CLOCK, BGF_DONT_TOUCH, NO_PARITY = 1, 2, 4, 8

RATES = {
    "23.976": (Fraction(24000, 1001), FILM_24),
    "24": (Fraction(24), FILM_24),
    "25": (Fraction(25), TV_625_50),
    "29.97df": (Fraction(30000, 1001), TV_525_60),
    "30": (Fraction(30), TV_525_60),
}


def text(t, drop):
    return f"{t.hours:02}:{t.mins:02}:{t.secs:02}{';' if drop else ':'}{t.frame:02}"


def encode(hz, rate, start, count, *, flags=BGF_DONT_TOUCH, reverse=False, user=0, volume=-3.0, rise=None):
    """Unsigned bytes of `count` frames, and their labels with the samples at which libltc put their edges."""
    fps, standard = RATES[rate]
    e = lib.ltc_encoder_create(hz, float(fps), standard, flags)
    if rise is not None:
        lib.ltc_encoder_set_filter(e, rise)
    check(lib.ltc_encoder_set_volume(e, volume) == 0, f"volume {volume}")
    t = Smpte(b"+0000", 26, 11, 25, *start)
    lib.ltc_encoder_set_timecode(e, c.byref(t))
    if not flags & USE_DATE:
        lib.ltc_encoder_set_user_bits(e, user)
    audio, labels = bytearray(), []
    room = c.create_string_buffer(1 + int(hz / float(fps)) + 64)
    for _ in range(count):
        lib.ltc_encoder_get_timecode(e, c.byref(t))
        (lib.ltc_encoder_encode_reversed_frame if reverse else lib.ltc_encoder_encode_frame)(e)
        n = lib.ltc_encoder_copy_buffer(e, room)
        labels.append((text(t, rate == "29.97df"), len(audio), len(audio) + n))
        audio += room.raw[:n]
        (lib.ltc_encoder_dec_timecode if reverse else lib.ltc_encoder_inc_timecode)(e)
    lib.ltc_encoder_free(e)
    return audio, labels


def write(path, hz, audio, width=1, lead=0):
    pcm = bytes([128] * lead) + bytes(audio) + bytes([128] * 400)
    with wave.open(str(path), "wb") as w:
        w.setnchannels(1)
        w.setsampwidth(width)
        w.setframerate(hz)
        w.writeframes(pcm if width == 1 else array.array("h", [(b - 128) * 256 for b in pcm]).tobytes())


def inspect(twinkeel, path, *more):
    r = subprocess.run([twinkeel, "inspect", "ltc", str(path), "--json", *more], capture_output=True, text=True)
    lines = [json.loads(line) for line in r.stdout.splitlines()]
    return r.returncode, lines[:-1], lines[-1]["summary"] if lines else None


def read_theirs(twinkeel, folder):
    cases = []
    for hz in (8000, 22050, 44100, 48000, 96000, 192000):
        for rate in RATES:
            cases.append(dict(hz=hz, rate=rate, start=(1, 8, 59, 20), count=60))
            cases.append(dict(hz=hz, rate=rate, start=(1, 9, 0, 12), count=60, reverse=True))
    cases += [
        dict(hz=48000, rate="25", start=(23, 59, 58, 0), count=100, user=0x8765_4321),
        dict(hz=48000, rate="29.97df", start=(10, 9, 58, 0), count=100, user=0xFFFF_FFFF),
        dict(hz=48000, rate="24", start=(0, 0, 0, 0), count=100, flags=NO_PARITY),
        dict(hz=48000, rate="25", start=(5, 6, 7, 8), count=100, flags=USE_DATE | TC_CLOCK),
        dict(hz=44100, rate="30", start=(5, 6, 7, 8), count=100, flags=USE_DATE),
        dict(hz=48000, rate="25", start=(5, 6, 7, 8), count=100, volume=-30.0),
        dict(hz=48000, rate="30", start=(5, 6, 7, 8), count=100, volume=-40.0),
        dict(hz=48000, rate="30", start=(5, 6, 7, 8), count=100, rise=0.0),
        dict(hz=48000, rate="30", start=(5, 6, 7, 8), count=100, rise=120.0),
    ]
    for i, case in enumerate(cases):
        for lead, width in ((0, 1), (4321, 2)):
            audio, labels = encode(**case)
            path = folder / f"theirs-{i}-{lead}.wav"
            write(path, case["hz"], audio, width, lead)
            code, frames, summary = inspect(twinkeel, path)
            name = f"{case} lead {lead}"
            check(code == 0, f"{name}: exit code {code}")
            got, want = [f["timecode"] for f in frames], [label for label, _, _ in labels]
            # libltc's quietest level is one step of eight bits: its first half cell is silence itself, so that nobody can tell
            # where the first frame began. Any other frame lost there, or this one elsewhere, is a fault.
            hard = case.get("volume") == -40.0
            if hard and got == want[1:]:
                want, labels = want[1:], labels[1:]
            check(got == want, f"{name}: {len(got)} of {len(want)} frames, first missed {sorted(set(want) - set(got))[:3]}")
            if got == want:
                off = [
                    max(abs(f["start_sample"] - s - lead), abs(f["end_sample"] - e - lead))
                    for f, (_, s, e) in zip(frames, labels)
                ]
                # An exponential edge of 40 us crosses the middle some 25 us after its start.
                slack = 1.5 + 2 * case.get("rise", 40.0) * 1e-6 * case["hz"]
                check(max(off) < slack, f"{name}: edges off by {max(off):.2f} samples")
            way = "reverse" if case.get("reverse") else "forward"
            check(all(f["direction"] == way for f in frames), f"{name}: direction")
            if not case.get("flags", 0) & USE_DATE:
                # libltc counts user bits from group 1 in the lowest digit; we print group 1 first.
                user = f"{case.get('user', 0):08x}"[::-1]
                check(all(f["user_bits"] == user for f in frames), f"{name}: user bits")
            if case["hz"] >= 22050:
                rate = case["rate"].removesuffix("df")
                check(summary["rate"] == rate, f"{name}: rate {summary['rate']}")
            check(summary["drop_frame"] == (case["rate"] == "29.97df"), f"{name}: drop flag")
            check(summary["gaps"] == [] and summary["rejected"] == 0, f"{name}: {summary}")


def read_ours(ltc_wav, folder):
    for hz in (22050, 44100, 48000, 96000):
        for rate, (fps, _) in RATES.items():
            for reverse in (False, True):
                path = folder / "ours.wav"
                label = "01:10:00;02" if rate == "29.97df" else "01:10:00:02"
                speed = "-1" if reverse else "1"
                subprocess.run(
                    [ltc_wav, str(path), "--hz", str(hz), "--rate", rate, "--start", label, "--frames", "50",
                     f"--speed={speed}", "--user", "12345678"],
                    check=True,
                )  # fmt: skip
                with wave.open(str(path), "rb") as w:
                    pcm = w.readframes(w.getnframes())
                d = lib.ltc_decoder_create(int(hz / float(fps)), 128)
                lib.ltc_decoder_write_s16(d, c.c_char_p(pcm), len(pcm) // 2, 0)
                got, f, t = [], FrameExt(), Smpte()
                while lib.ltc_decoder_read(d, c.byref(f)):
                    lib.ltc_frame_to_time(c.byref(t), c.byref(f.ltc), 0)
                    groups = "".join(f"{b >> 4:x}" for b in f.ltc.b[:8])
                    got.append((text(t, f.ltc.b[1] >> 2 & 1), groups, bool(f.reverse)))
                lib.ltc_decoder_free(d)
                _, labels = encode(hz, rate, (1, 10, 0, 2), 1)
                want, t = [], Smpte(b"+0000", 0, 0, 0, 1, 10, 0, 2)
                e = lib.ltc_encoder_create(hz, float(fps), RATES[rate][1], 0)
                lib.ltc_encoder_set_timecode(e, c.byref(t))
                for _ in range(50):
                    if reverse:
                        lib.ltc_encoder_dec_timecode(e)
                    lib.ltc_encoder_get_timecode(e, c.byref(t))
                    want.append((text(t, rate == "29.97df"), "12345678", reverse))
                    if not reverse:
                        lib.ltc_encoder_inc_timecode(e)
                lib.ltc_encoder_free(e)
                name = f"ours at {hz} Hz, {rate}, {'reverse' if reverse else 'forward'}"
                check(set(got) <= set(want), f"{name}: libltc read {sorted(set(got) - set(want))[:3]}")
                check(len(got) >= 47, f"{name}: libltc read {len(got)} of 50")


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    with tempfile.TemporaryDirectory() as folder:
        read_theirs(sys.argv[1], Path(folder))
        read_ours(sys.argv[2], Path(folder))
    print(f"{tally.checks} checks against libltc, {tally.failures} differ")
    sys.exit(1 if tally.failures else 0)
