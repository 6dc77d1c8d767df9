#!/usr/bin/env python3
"""Holds what is in force on a device, and what it is sent after a changeover, against mido (other people's work) and a model written anew.

1. Random streams, with running status, real-time bytes and system exclusive between and inside of messages: after each prefix the state
   that the example `patch_states` of crate watch prints must be that of the model, which hears the same bytes through mido's parser.
2. The chase: a device that heard one machine's stream, and then is sent what we send when another comes on air, must have the other's
   program, bank, controllers and bend wherever that one had said any, and hold no note that it does not.

The model's sources: MIDI 1.0 Detailed Specification (Bank Select takes effect with the next Program Change; mode messages 120 and 123 to
127 end notes), RP-015 for controller 121 (from memory).

    tests/outside/patches_mido.py PATCH_STATES

Needs mido (pip install mido). Exit code 1 when anything differs.
"""

import random
import subprocess
import sys

import mido

import tally
from tally import check

REST = {1: 0, 11: 127, 64: 0, 65: 0, 66: 0, 67: 0, 98: 127, 99: 127, 100: 127, 101: 127}


class Channel:
    def __init__(self):
        self.program = self.bend = None
        self.bank, self.selected = [None, None], [None, None]
        self.held, self.controllers = set(), {}

    def take(self, m):
        if m.type == "program_change":
            self.program, self.bank = m.program, list(self.selected)
        elif m.type == "pitchwheel":
            self.bend = m.pitch
        elif m.type == "note_on" and m.velocity > 0:
            self.held.add(m.note)
        elif m.type in ("note_on", "note_off"):
            self.held.discard(m.note)
        elif m.type == "control_change" and m.control in (0, 32):
            self.selected[m.control // 32] = m.value
        elif m.type == "control_change" and m.control == 121:
            for n in REST.keys() & self.controllers.keys():
                self.controllers[n] = REST[n]
            self.bend = None if self.bend is None else 0
        elif m.type == "control_change" and m.control in (120, 123, 124, 125, 126, 127):
            self.held.clear()
        elif m.type == "control_change" and m.control < 120:
            self.controllers[m.control] = m.value

    def line(self, number):
        word = lambda v: "-" if v is None else str(v)
        two = lambda b: f"{word(b[0])}/{word(b[1])}"
        held = sum(1 << k for k in self.held)
        controllers = ",".join(f"{n}={v}" for n, v in sorted(self.controllers.items()))
        return f"{number} {word(self.program)} {two(self.bank)} {two(self.selected)} {word(self.bend)} {held:x} {controllers}"


def stream(rng, n):
    """Channel messages as bytes, twice: with running status half of the time and other traffic in between, for us; and plain, for mido,
    whose parser takes no running status."""
    out, plain, status = bytearray(), bytearray(), None
    for _ in range(n):
        channel = rng.choice([0, 0, 1, 9, 15])
        kind = rng.choice([0x80, 0x90, 0x90, 0xB0, 0xB0, 0xB0, 0xC0, 0xE0, 0xD0, 0xA0])
        first = rng.randrange(128)
        if kind == 0xB0:
            first = rng.choice([0, 32, 1, 7, 64, 66, 120, 121, 123, 127, rng.randrange(128)])
        data = [first] if kind in (0xC0, 0xD0) else [first, rng.choice([0, 127, rng.randrange(128)])]
        if (new := kind | channel) != status or rng.random() < 0.5:
            out.append(new)
        status = new
        plain += bytes([new, *data])
        for d in data:
            if rng.random() < 0.1:
                out.append(rng.choice([0xF8, 0xFE]))
            out.append(d)
        if rng.random() < 0.05:
            # A system exclusive message of a maker's own: it ends running status.
            out += bytes([0xF0, 0x7D, *(rng.randrange(128) for _ in range(rng.randrange(40))), 0xF7])
            status = None
    return bytes(out), bytes(plain)


def heard(data):
    parser = mido.Parser()
    parser.feed(data)
    return [m for m in parser if hasattr(m, "channel") and m.type not in ("aftertouch", "polytouch")]


def run(tool, data, *args):
    return subprocess.run([tool, *args], input=data, capture_output=True, check=True).stdout.decode().split("\n")[:-1]


def state(messages):
    channels = [Channel() for _ in range(16)]
    for m in messages:
        channels[m.channel].take(m)
    return channels


def prefixes(tool, rng):
    data, plain = stream(rng, rng.randrange(1, 400))
    channels, want = [Channel() for _ in range(16)], []
    for m in heard(plain):
        channels[m.channel].take(m)
        want.append(channels[m.channel].line(m.channel + 1))
    got = run(tool, data)
    check(len(got) == len(want), f"{len(got)} messages where mido hears {len(want)}")
    for n, (g, w) in enumerate(zip(got, want)):
        check(g == w, f"after message {n} of {data[:60].hex()}...: ours {g}, the model {w}")


def chases(tool, rng):
    (left, plain_left), (new, plain_new) = stream(rng, rng.randrange(0, 200)), stream(rng, rng.randrange(0, 200))
    sent = bytes.fromhex("".join(run(tool, left + b"\xff" + new, "chase")))
    device, want = state(heard(plain_left) + heard(sent)), state(heard(plain_new))
    for n, (d, w) in enumerate(zip(device, want)):
        where = f"channel {n + 1}, {left.hex()[:60]}... then {new.hex()[:60]}..."
        check(d.held <= w.held, f"notes hang: {where}")
        for pedal in (64, 66):
            check(d.controllers.get(pedal, 0) == w.controllers.get(pedal, 0), f"pedal {pedal}: {where}")
        for c, v in w.controllers.items():
            check(d.controllers.get(c) == v, f"controller {c}: {where}")
        if w.bend is not None:
            check(d.bend == w.bend, f"bend: {where}")
        if w.program is not None:
            check(d.program == w.program, f"program: {where}")
            for part in (0, 1):
                if w.bank[part] is not None:
                    check(d.bank[part] == w.bank[part], f"bank: {where}")


def main():
    tool = sys.argv[1]
    rng = random.Random(20)
    for _ in range(150):
        prefixes(tool, rng)
        chases(tool, rng)
    print(f"patches_mido: {tally.checks} checks, {tally.failures} differ")
    sys.exit(1 if tally.failures or not tally.checks else 0)


if __name__ == "__main__":
    main()
