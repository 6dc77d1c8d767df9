#!/usr/bin/env python3
"""The API against its own description, by schemathesis (other people's work), which makes requests from the description: such as fit it, such
as miss it by a little, and such as hit its edges. No answer may be a server's error, of an undescribed status, type or form; what fits must
be accepted, and what does not must be refused.

    tests/outside/api_schemathesis.py FAKE_DESK [SEED]

Three rounds: an operator with a check's sheet there, a reader who may do nothing, and a page that others can reach, called by this
computer's own address. Needs schemathesis (pip install schemathesis==4.32.5). Exit code 1 when anything differs.
"""

import os
import socket
import subprocess
import sys
import tempfile
import urllib.request

# Endless by design: the event stream is read by the browser's tests.
ENDLESS = "/api/v1/events"

# A body that is too long is refused as such, whatever else is wrong with it (RFC 9110, section 15.5.14).
RULES = """
[checks.negative_data_rejection]
expected-statuses = [400, 401, 403, 404, 405, 406, 409, 413, 415, 422, 428, 429]
"""


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def round_of(desk, rules, name, seed, environment, check=None):
    port = free_port()
    at = f"http://127.0.0.1:{port}"
    with subprocess.Popen([desk, str(port)], stdout=subprocess.PIPE, env={**os.environ, **environment}) as running:
        try:
            running.stdout.readline()
            if check:
                urllib.request.urlopen(f"{at}/fake/check/{check}").read()
            print(f"-- {name}, seed {seed}", flush=True)
            runner = ["-c", "from schemathesis.cli import schemathesis; schemathesis()", "--config-file", rules, "run", f"{at}/api/v1/openapi.json"]
            how = ["-H", f"Origin: {at}", "--exclude-path", ENDLESS, "--phases", "examples,coverage,fuzzing", "-n", "60"]
            report = ["--seed", str(seed), "--continue-on-failure", "--request-timeout", "10", "--no-color", "--warnings", "off"]
            done = subprocess.run([sys.executable, *runner, *how, *report], stdout=subprocess.PIPE, text=True, check=False)
            print(done.stdout if done.returncode else done.stdout[done.stdout.rfind("Test cases:"):], flush=True)
            return done.returncode == 0
        finally:
            running.terminate()


def main():
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    desk, seed = sys.argv[1], int(sys.argv[2]) if len(sys.argv) == 3 else 1
    rounds = [
        ("an operator, and a sheet is there", {}, "failed"),
        ("a reader", {"TWINKEEL_FAKE_PASSPHRASE": "low water rising"}, None),
        ("open to others", {"TWINKEEL_FAKE_PASSPHRASE": "low water rising", "TWINKEEL_FAKE_HOST": "0.0.0.0"}, None),
    ]
    with tempfile.NamedTemporaryFile("w", suffix=".toml") as rules:
        rules.write(RULES)
        rules.flush()
        held = [round_of(desk, rules.name, name, seed, environment, check) for name, environment, check in rounds]
    sys.exit(0 if all(held) else 1)


if __name__ == "__main__":
    main()
