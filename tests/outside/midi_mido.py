#!/usr/bin/env python3
"""Holds the MIDI readers and encoders against mido (other people's work) and against the standards' arithmetic done anew here.

1. MTC streams of mido messages, through every mishap of a cable: `twinkeel inspect midi` must say where the code was.
2. Clock streams: the number of each clock, the tempo, the transport.
3. Standard MIDI Files written by mido: tempo map, meters, markers, patches, length (mido's own) and the chase.
4. The example `midi_out` of crate timecode prints what our encoders send; mido must parse it to what it means.

    tests/outside/midi_mido.py TWINKEEL MIDI_OUT

Needs mido (pip install mido). Exit code 1 when anything differs.
"""

import bisect
import json
import random
import subprocess
import sys
import tempfile
from fractions import Fraction
from pathlib import Path

import mido

import tally
from tally import check

RATES = {"24": (24, Fraction(24)), "25": (25, Fraction(25)), "29.97df": (30, Fraction(30000, 1001)), "30": (30, Fraction(30))}
CODES = {"24": 0, "25": 1, "29.97df": 2, "30": 3}


def labels(rate):
    """Every label of a day in order, by ST 12-1's own rule: 00 and 01 are left out at each minute but every tenth."""
    nominal = RATES[rate][0]
    return [
        (h, m, s, f)
        for h in range(24)
        for m in range(60)
        for s in range(60)
        for f in range(2 if rate == "29.97df" and s == 0 and m % 10 else 0, nominal)
    ]


LABELS = {rate: labels(rate) for rate in RATES}


def number(rate, label):
    return bisect.bisect_left(LABELS[rate], label)


def text(rate, n):
    h, m, s, f = LABELS[rate][n % len(LABELS[rate])]
    return f"{h:02}:{m:02}:{s:02}{';' if rate == '29.97df' else ':'}{f:02}"


def quarter(rate, position):
    """The message at this many quarter frames since midnight: piece k of label N stands at 4 N + k (RP-004). Labels are even."""
    k = position % 8
    h, m, s, f = LABELS[rate][(position - k) // 4 % len(LABELS[rate])]
    hours = h | CODES[rate] << 5
    value = [f & 15, f >> 4, s & 15, s >> 4, m & 15, m >> 4, hours & 15, hours >> 4][k]
    return mido.Message("quarter_frame", frame_type=k, frame_value=value).bytes()


def full(rate, n):
    h, m, s, f = LABELS[rate][n]
    return mido.Message("sysex", data=[0x7F, 0x7F, 1, 1, h | CODES[rate] << 5, m, s, f]).bytes()


def inspect(twinkeel, path, *more):
    done = subprocess.run([twinkeel, "inspect", "midi", str(path), "--json", *more], capture_output=True, text=True)
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    return done.returncode, lines, done.stderr


def capture(twinkeel, folder, arrivals):
    path = folder / "capture.jsonl"
    path.write_text("".join(json.dumps({"t": t, "hex": bytes(b).hex(" ")}) + "\n" for t, b in arrivals))
    code, lines, stderr = inspect(twinkeel, path)
    check(stderr == "" and "summary" in lines[-1], f"a capture was refused: {stderr}")
    return code, lines[:-1], lines[-1]["summary"]


def stream(rate, start, count, speed=1.0, way=1, t0=0.5):
    """[(t, position in quarter frames, bytes)]"""
    q = 1 / (4 * float(RATES[rate][1]) * speed)
    day = 4 * len(LABELS[rate])
    return [(t0 + i * q, (start + way * i) % day, quarter(rate, (start + way * i) % day)) for i in range(count)]


def judge(name, rate, sent, lines, at_least):
    """Every line is right: the position is that of the message that came in at its time."""
    order = sorted((t, position) for t, position, _ in sent)
    times = [t for t, _ in order]
    got = [line for line in lines if line["kind"] == "mtc" and line["from"] == "quarter-frame"]
    for line in got:
        a, b = bisect.bisect_left(times, line["t"] - 1e-8), bisect.bisect_right(times, line["t"] + 1e-8)
        near = [position for _, position in order[a:b]]
        check(any(abs(line["position_frames"] - p / 4) < 1e-6 for p in near), f"{name}: {line}, sent {near}")
        check(line["timecode"] == text(rate, int(line["position_frames"])), f"{name}: label of {line}")
        check(line["rate"] == rate, f"{name}: rate of {line}")
    check(len(got) >= at_least, f"{name}: {len(got)} positions, {at_least} wanted")


def mtc(twinkeel, folder):
    rng = random.Random(7)
    run = lambda arrivals: capture(twinkeel, folder, arrivals)
    for rate in RATES:
        day = 4 * len(LABELS[rate])
        starts = [number(rate, (0, 0, 59, 20)), number(rate, (0, 9, 59, 20)), len(LABELS[rate]) - 20, number(rate, (15, 59, 59, 22))]
        for start in starts:
            for way in (1, -1):
                for speed in (0.5, 1.0, 2.0):
                    first = (4 * (start // 2 * 2) + rng.randrange(8)) % day
                    sent = stream(rate, first, 300, speed, way)
                    _, lines, summary = run([(t, b) for t, _, b in sent])
                    name = f"{rate} from {text(rate, start)} by {way * speed}"
                    judge(name, rate, sent, lines, 300 - 10)
                    word = "forward" if way > 0 else "reverse"
                    check(all(x["direction"] == word for x in lines if x["kind"] == "mtc"), f"{name}: direction")
                    check(not [x for x in lines if x["kind"] == "transport"], f"{name}: transport lines")
                    check(summary["messages"] == 300 and summary["refused"] == 0, f"{name}: {summary}")
        first = 4 * number(rate, (1, 0, 0, 0))
        # 1 ms of jitter, real-time bytes anywhere, chunks cut anywhere.
        sent = [(t + rng.uniform(-1e-3, 1e-3), p, b) for t, p, b in stream(rate, first, 400)]
        arrivals = []
        for t, _, b in sent:
            arrivals += [(t - 1e-6, [b[0]]), (t, [0xF8, b[1]])] if rng.random() < 0.5 else [(t, [b[0], 0xFE, b[1]])]
        _, lines, _ = run(arrivals)
        judge(f"{rate} jittered", rate, sent, lines, 393)
        # Lost and doubled.
        for lost in (1, 2, 5, 7, 8, 16):
            sent = stream(rate, first, 400)
            del sent[133 : 133 + lost]
            _, lines, _ = run([(t, b) for t, _, b in sent])
            judge(f"{rate}, {lost} lost", rate, sent, lines, 400 - lost - 15)
        sent = stream(rate, first, 200)
        _, lines, _ = run([(t, b * (2 if i % 7 == 0 else 1)) for i, (t, _, b) in enumerate(sent)])
        judge(f"{rate} doubled", rate, sent, lines, 193)
        # A locate while running, full frames of a fast wind, and a stall.
        sent = stream(rate, first, 120)
        end = sent[-1][0]
        # (Its first piece differs from what would have come: else nobody could tell before the first that does.)
        there = number(rate, (2, 3, 4, 10))
        after = stream(rate, 4 * there, 120, t0=end + 1 / (4 * float(RATES[rate][1])))
        _, lines, _ = run([(t, b) for t, _, b in sent + after])
        judge(f"{rate} locate", rate, sent + after, lines, 113 + 113)
        told = [x for x in lines if x["kind"] == "transport"]
        check([x["event"] for x in told] == ["locate"], f"{rate} locate: {told}")
        wind = [(end + 0.004 + i / 10, n, full(rate, n)) for i, n in enumerate(range(there, there + 9000, 500))]
        _, lines, _ = run([(t, b) for t, _, b in sent] + [(t, b) for t, _, b in wind])
        got = [x for x in lines if x.get("from") == "full-frame"]
        check([(x["timecode"], x["position_frames"]) for x in got] == [(text(rate, n), n) for _, n, _ in wind], f"{rate} wind")
        check(all(x["direction"] == "none" for x in got), f"{rate} wind: direction")
        check(not [x for x in lines if x.get("event") == "stall"], f"{rate} wind: stall")
        _, lines, _ = run([(t, b) for t, _, b in sent] + [(end + 2, [0xFE])])
        stalls = [x for x in lines if x.get("event") == "stall"]
        q = 1 / (4 * float(RATES[rate][1]))
        check(len(stalls) == 1 and 0 < stalls[0]["t"] - end <= 3 * q + 1e-6, f"{rate} stall: {stalls}")
        # Clumps of 2048 samples.
        sent = [(0.5 + ((t - 0.5) // 0.0427 + 1) * 0.0427, p, b) for t, p, b in stream(rate, first, 400)]
        _, lines, _ = run([(t, b) for t, _, b in sent])
        judge(f"{rate} clumped", rate, sent, lines, 393)
        check(not [x for x in lines if x["kind"] == "transport"], f"{rate} clumped: transport lines")
        # Impossible and broken ones.
        for bad in ([0xF0, 0x7F, 0x7F, 1, 1, 24 | CODES[rate] << 5, 0, 0, 0, 0xF7], full(rate, 5)[:-2] + [0xF7], full(rate, 5)[:-1] + [1, 0xF7]):
            _, lines, summary = run([(0.1, bad)])
            check(not lines and summary["refused"] == 1, f"{rate} {bytes(bad).hex()}: {lines} {summary}")


def clock(twinkeel, folder):
    rng = random.Random(11)
    tick = mido.Message("clock").bytes()
    spp = lambda n: mido.Message("songpos", pos=n).bytes()
    start, stop, go = (mido.Message(n).bytes() for n in ("start", "stop", "continue"))
    for bpm in (47.3, 120.0, 201.5):
        p = 60 / 24 / bpm
        for jitter in (0.0, 1e-3):
            arrivals, t, want = [(0.0, start)], 0.0, []

            def play(count, first):
                nonlocal t
                for i in range(count):
                    t += p
                    arrivals.append((t + rng.uniform(-jitter, jitter), tick))
                    want.append(None if first is None else first + i)

            play(100, 0)
            arrivals.append((t + p / 3, stop))
            play(50, None)
            arrivals.append((t + p / 3, go))
            play(50, 100)
            arrivals.append((t + p / 3, stop))
            arrivals += [(t + p / 3, spp(33)), (t + p / 3, go)]
            play(50, 6 * 33)
            arrivals.append((t + p / 3, stop))
            arrivals += [(t + p / 3, go), (t + p / 3, spp(64))]
            play(50, 6 * 64)
            _, lines, summary = capture(twinkeel, folder, sorted(arrivals, key=lambda a: a[0]))
            got = [x for x in lines if x["kind"] == "clock"]
            check([x["clocks"] for x in got] == [w for w in want if w is not None], f"clock {bpm} {jitter}")
            check(all(x["beats"] == x["clocks"] / 24 for x in got), f"clock {bpm}: beats")
            worst = max(abs(x["bpm"] / bpm - 1) for x in got[48:])
            check(worst < (1e-6 if jitter == 0 else 0.015), f"clock {bpm} {jitter}: bpm off by {worst}")
            told = [(x["event"], x["clocks"]) for x in lines if x["kind"] == "transport"]
            events = ["start", "stop", "continue", "stop", "locate", "continue", "stop", "continue", "locate"]
            check([e for e, _ in told] == events, f"clock {bpm}: {told}")
            check(told[2][1] == 100 and told[4][1] == 198 and told[8][1] == 384, f"clock {bpm}: {told}")


def files(twinkeel, folder):
    rng = random.Random(3)
    path = folder / "song.mid"
    for case in range(40):
        tpb = rng.choice([24, 96, 480, 960, 32767])
        mid = mido.MidiFile(type=case % 2, ticks_per_beat=tpb)
        events = []
        for _ in range(rng.randrange(40)):
            tick, ch = rng.randrange(tpb * 200), rng.randrange(16)
            events += rng.choice(
                [
                    [(tick, mido.MetaMessage("set_tempo", tempo=rng.randrange(1, 2**24)))],
                    [(tick, mido.MetaMessage("time_signature", numerator=rng.randrange(1, 20), denominator=2 ** rng.randrange(6)))],
                    [(tick, mido.MetaMessage("marker", text=f"bar {rng.random()}"))],
                    [(tick, mido.MetaMessage("cue_marker", text="Lichtwechsel \xe4"))],
                    [(tick, mido.Message("control_change", channel=ch, control=0, value=rng.randrange(128))),
                     (tick, mido.Message("program_change", channel=ch, program=rng.randrange(128)))],
                    [(tick, mido.Message("control_change", channel=ch, control=rng.choice([7, 10, 64, 91]), value=rng.randrange(128)))],
                    [(tick, mido.Message("pitchwheel", channel=ch, pitch=rng.randrange(-8192, 8192)))],
                    [(tick, mido.Message("note_on", channel=ch, note=60))],
                ]
            )
        events.sort(key=lambda e: e[0])
        meta = [e for e in events if e[1].is_meta]
        rest = [e for e in events if not e[1].is_meta]
        tracks = [events] if mid.type == 0 else [meta, rest]
        for one in tracks:
            track, last = mido.MidiTrack(), 0
            for tick, message in one:
                track.append(message.copy(time=tick - last))
                last = tick
            track.append(mido.MetaMessage("end_of_track", time=rng.randrange(1000)))
            mid.tracks.append(track)
        mid.save(path)
        code, lines, stderr = inspect(twinkeel, path)
        check(stderr == "", f"file {case}: {stderr}")
        summary = lines.pop()["summary"]
        check(abs(summary["length_s"] - mid.length) < 1e-6, f"file {case}: length {summary} {mid.length}")
        check((summary["tracks"], summary["ticks_per_beat"]) == (len(tracks), tpb), f"file {case}: {summary}")
        # What mido says comes when, in seconds.
        want, now, banks, state, ticks = [], 0.0, {}, {}, 0
        states = []
        tempo = 500_000
        ordered = [e for one in tracks for e in one] if mid.type else events
        for tick, m in sorted(ordered, key=lambda e: e[0]):
            now += (tick - ticks) * tempo / tpb / 1e6
            ticks = tick
            if m.type == "set_tempo":
                tempo = m.tempo
                want.append(("tempo", now, tick, 60e6 / tempo))
            elif m.type == "time_signature":
                want.append(("meter", now, m.numerator, m.denominator))
            elif m.type in ("marker", "cue_marker"):
                want.append((m.type.split("_")[0], now, m.text))
            elif m.type == "program_change":
                want.append(("patch", now, m.channel + 1, banks.get(m.channel), m.program))
                state.setdefault(m.channel, {})["program"] = (m.program, banks.get(m.channel))
            elif m.type == "control_change" and m.control == 0:
                banks[m.channel] = m.value
            elif m.type == "control_change":
                state.setdefault(m.channel, {})[m.control] = m.value
            elif m.type == "pitchwheel":
                state.setdefault(m.channel, {})["bend"] = m.pitch
            states.append((now, json.loads(json.dumps(state))))
        check(len(lines) == len(want), f"file {case}: {len(lines)} lines, {len(want)} wanted")
        for line, w in zip(lines, want):
            got = {
                "tempo": lambda x: (x["tick"], x["bpm"]),
                "meter": lambda x: (x["numerator"], x["denominator"]),
                "marker": lambda x: (x["text"],),
                "cue": lambda x: (x["text"],),
                "patch": lambda x: (x["channel"], x["bank_msb"], x["program"]),
            }[line["kind"]](line)
            check(line["kind"] == w[0] and abs(line["seconds"] - w[1]) < 1e-6 and got == w[2:], f"file {case}: {line}, {w}")
        for _ in range(3 if states else 0):
            # Clear of every event by more than rounding.
            t = rng.uniform(0, states[-1][0] + 1)
            before = [s for when, s in states if when <= t]
            _, lines, _ = inspect(twinkeel, path, "--at", repr(t))
            channels = lines[0]["channels"]
            for ch, s in (before[-1] if before else {}).items():
                c = channels[str(int(ch) + 1)]
                program, bank = s.get("program", (None, None))
                check(c["program"] == program and (program is None or c["bank_msb"] == bank), f"file {case} at {t}: {c} {s}")
                check(c["bend"] == s.get("bend"), f"file {case} at {t}: bend {c} {s}")
                controllers = {k: v for k, v in s.items() if k not in ("program", "bend")}
                check(c["controllers"] == controllers, f"file {case} at {t}: {c} {s}")
    mid = mido.MidiFile(type=2)
    mid.tracks.append(mido.MidiTrack())
    mid.save(path)
    code, lines, stderr = inspect(twinkeel, path)
    check(code == 2 and "format 2" in stderr, f"format 2: {code} {stderr}")
    path.write_bytes(path.read_bytes()[:-3])
    code, lines, stderr = inspect(twinkeel, path)
    check(code == 2 and str(path) in stderr and "byte" in stderr, f"cut short: {code} {stderr}")


def ours(midi_out):
    for line in subprocess.run([midi_out], capture_output=True, text=True, check=True).stdout.splitlines():
        what, _, hexed = line.partition(" | ")
        kind, *rest = what.split()
        messages = mido.parse_all(bytes.fromhex(hexed))
        if kind in ("mtc", "full"):
            rate, label = rest[0], rest[1]
            n = number(rate, tuple(int(x) for x in label.replace(";", ":").split(":")))
        if kind == "mtc":
            way = 1 if rest[2] == "forward" else -1
            # Labels of 8-piece groups are those from which the code started, two frames apart.
            shift = n % 2
            day = len(LABELS[rate])
            want = []
            for i in range(64):
                position = 4 * n + way * i
                k = (position - 4 * shift) % 8
                h, m, s, f = LABELS[rate][(position - k) // 4 % day]
                hours = h | CODES[rate] << 5
                value = [f & 15, f >> 4, s & 15, s >> 4, m & 15, m >> 4, hours & 15, hours >> 4][k]
                want.append(("quarter_frame", k, value))
            check([(m.type, m.frame_type, m.frame_value) for m in messages] == want, f"ours: {what}")
        elif kind == "full":
            check([m.bytes() for m in messages] == [full(rate, n)], f"ours: {what}")
        elif kind == "spp":
            check([(m.type, m.pos) for m in messages] == [("songpos", int(rest[0]))], f"ours: {what}")
        elif kind == "patch":
            ch, msb, lsb, program = rest
            want = [mido.Message("control_change", channel=int(ch) - 1, control=c, value=int(v)) for c, v in ((0, msb), (32, lsb)) if v != "-"]
            want.append(mido.Message("program_change", channel=int(ch) - 1, program=int(program)))
            check(messages == want, f"ours: {what}")
        elif kind == "control":
            ch, c, v = map(int, rest)
            check(messages == [mido.Message("control_change", channel=ch - 1, control=c, value=v)], f"ours: {what}")
        elif kind == "bend":
            check(messages == [mido.Message("pitchwheel", channel=int(rest[0]) - 1, pitch=int(rest[1]))], f"ours: {what}")
        else:
            check(False, f"ours: {what} is unknown")


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    with tempfile.TemporaryDirectory() as name:
        mtc(sys.argv[1], Path(name))
        clock(sys.argv[1], Path(name))
        files(sys.argv[1], Path(name))
    ours(sys.argv[2])
    print(f"{tally.checks} checks against mido, {tally.failures} differ")
    sys.exit(1 if tally.failures else 0)
