"""Fuzz every decoder and whole sessions, with coverage as the guide.

`python -m tests.fuzz` takes a minute for each target; `--seconds` changes that, names choose targets:
`decoders`, `eds`, `adapter`, `scanner`, `joined` (both on a hostile network). With `--corpus` what was found
interesting is kept there, and the next run goes on from it. A failure is printed as hex with the calls that
led to it; `--hex` runs it again, without the fuzzer.

The fuzzer is `atheris` (`pip install atheris`). It has wheels for Linux on x86_64 alone, Python 3.11 to
3.14, so it is not among the requirements of the tests: `tests/eip/test_eip_fuzz_sessions.py` drives the same
sessions everywhere, without the guide.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import re
import subprocess
import sys
import tempfile
import time
from hashlib import sha1
from pathlib import Path
from typing import Any

NAMES = ("decoders", "eds", "adapter", "scanner", "joined")
ROOT = Path(__file__).parents[2]
MISSING = (
    "The fuzzer atheris is not installed, so nothing was fuzzed. `pip install atheris` brings it on Linux, "
    "x86_64; elsewhere tests/eip/test_eip_fuzz_sessions.py drives the same sessions without a guide."
)
_ONE_INPUT_S = 20  # longer is a hang
_MEMORY_MB = 1500


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m tests.fuzz", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("target", nargs="*", metavar="TARGET", help=f"{', '.join(NAMES)}; all when left out")
    parser.add_argument("--seconds", type=int, default=60, metavar="N", help="for each target (60)")
    parser.add_argument("--corpus", type=Path, metavar="DIR", help="keep what was found interesting there")
    parser.add_argument("--hex", metavar="HEX", help="run this input of one target and tell its calls")
    parser.add_argument("--inner", type=Path, help=argparse.SUPPRESS)  # one target in this process
    chosen = parser.parse_args()
    for name in chosen.target:
        if name not in NAMES:
            parser.error(f"{name!r}: expected one of {', '.join(NAMES)}")
    return chosen


def inner(name: str, corpus: Path, seconds: int) -> None:
    """Fuzz in this process; it ends here."""
    atheris: Any = importlib.import_module("atheris")
    with atheris.instrument_imports(include=["bench", "tests.fuzz"]):
        targets: Any = importlib.import_module("tests.fuzz.targets")
    target = targets.TARGETS[name]

    def one_input(data: bytes) -> None:
        try:
            target.run(data, None)
        except Exception:
            calls = "\n".join(targets.calls_of(target, data))
            sys.stderr.write(f"\n{calls}\nFAILED: python -m tests.fuzz {name} --hex {data.hex()}\n")
            raise

    options = [
        sys.argv[0],
        f"-max_total_time={seconds}",
        f"-max_len={target.most_bytes}",
        f"-timeout={_ONE_INPUT_S}",
        f"-rss_limit_mb={_MEMORY_MB}",
        f"-artifact_prefix={corpus.parent}/",
        "-print_final_stats=1",
        str(corpus),
    ]
    atheris.Setup(options, one_input)
    atheris.Fuzz()


def fuzz(name: str, parent: Path, seconds: int) -> bool:
    """Fuzz one target in a process of its own; whether all went well."""
    targets: Any = importlib.import_module("tests.fuzz.targets")
    corpus = parent / name
    corpus.mkdir(parents=True, exist_ok=True)
    for seed in targets.TARGETS[name].seeds():
        (corpus / sha1(seed).hexdigest()).write_bytes(seed)
    began_s = time.monotonic()
    command = [sys.executable, "-m", "tests.fuzz", name, "--inner", str(corpus), "--seconds", str(seconds)]
    done = subprocess.run(command, cwd=ROOT, stderr=subprocess.PIPE, text=True, errors="replace", check=False)
    spent_s = time.monotonic() - began_s
    runs = re.findall(r"number_of_executed_units: (\d+)", done.stderr) or ["0"]
    covered = re.findall(r"cov: (\d+) ft: (\d+)", done.stderr) or [("0", "0")]
    size = sum(1 for _ in corpus.iterdir())
    verdict = "no failure" if done.returncode == 0 else "FAILED"
    sys.stdout.write(
        f"{name:9} {spent_s:6.0f} s {int(runs[-1]):>10} runs, {size:>5} inputs kept, "
        f"coverage {covered[-1][0]} ({covered[-1][1]} features): {verdict}\n"
    )
    sys.stdout.flush()
    if done.returncode:
        sys.stdout.write(done.stderr[-12_000:])
    return done.returncode == 0


def again(name: str, text: str) -> int:
    """One input, with its calls told."""
    targets: Any = importlib.import_module("tests.fuzz.targets")
    calls = targets.calls_of(targets.TARGETS[name], bytes.fromhex(text))
    sys.stdout.write("\n".join(calls) + "\n")
    targets.TARGETS[name].run(bytes.fromhex(text), None)
    return 0


def main() -> int:
    chosen = arguments()
    if chosen.hex is not None:
        return again(chosen.target[0] if chosen.target else NAMES[0], chosen.hex)
    if importlib.util.find_spec("atheris") is None:
        sys.stderr.write(f"{MISSING}\n")
        return 2
    if chosen.inner is not None:
        inner(chosen.target[0], chosen.inner, chosen.seconds)
    with tempfile.TemporaryDirectory() as made:
        parent = chosen.corpus or Path(made)
        good = [fuzz(name, parent.resolve(), chosen.seconds) for name in chosen.target or NAMES]
    return 0 if all(good) else 1


if __name__ == "__main__":
    sys.exit(main())
