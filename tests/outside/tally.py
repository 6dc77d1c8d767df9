"""Counts what was held against another program, and says what differs."""

checks = failures = 0


def check(ok, what):
    global checks, failures
    checks += 1
    if not ok:
        failures += 1
        print(f"DIFFERS: {what}")
