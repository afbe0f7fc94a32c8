"""Does an installation need a compiler anywhere? Resolved for each system and version of Python.

Each is resolved twice: with wheels only, and freely, as pip does it. Both must come to the same versions:
where the newest version of a package has no wheel, pip takes its source and asks for a compiler. What is
resolved is ``.[dev]``: every extra but ``bench``. Only metadata is fetched. ARM64 is reported, not required.

Exit code: 0 also where the package index can't be reached, which is said.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import product
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
VERSIONS = ("3.11", "3.12", "3.13", "3.14")
SYSTEMS = {"Windows x64": "x86_64-pc-windows-msvc", "Linux x64": "x86_64-manylinux_2_28"}
NOT_REQUIRED = {"Windows ARM64": "aarch64-pc-windows-msvc", "Linux ARM64": "aarch64-manylinux_2_28"}
_NO_NETWORK = re.compile(
    r"network|failed to fetch|error sending request|dns|timed out|connect", re.IGNORECASE
)
_NO_WHEEL = re.compile(r"(\S+?)[<>=!]+\S* has no usable wheels")


@dataclass(frozen=True)
class Resolved:
    """What an installation takes in, each with its version; or why it can't be told."""

    packages: frozenset[str]
    wrong: str
    reached: bool


def resolve(version: str, platform: str, extra: str, *, wheels_only: bool) -> Resolved:
    """Ask the package index what an installation there takes in."""
    words = [
        sys.executable, "-m", "uv", "pip", "compile", "--quiet", "--python", sys.executable, "--no-header",
        "--no-annotate", "--extra", extra, "--python-version", version, "--python-platform", platform,
        *(["--only-binary", ":all:"] if wheels_only else []), str(ROOT / "pyproject.toml"),
    ]  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        ended = subprocess.run(words, capture_output=True, text=True, cwd=folder, check=False)
    if ended.returncode == 0:
        packages = frozenset(line for line in ended.stdout.splitlines() if "==" in line)
        return Resolved(packages, "", reached=True)
    if without := _NO_WHEEL.findall(ended.stderr):
        return Resolved(frozenset(), f"no wheel of {', '.join(sorted(set(without)))}", reached=True)
    said = " ".join(ended.stderr.split())[:300]
    return Resolved(frozenset(), said, reached=_NO_NETWORK.search(said) is None)


def verdict(wheels: Resolved, freely: Resolved) -> str:
    """What is wrong with one system and version; empty where nothing is."""
    newer = sorted(freely.packages - wheels.packages)
    return wheels.wrong or freely.wrong or (f"no wheel of the newest {', '.join(newer)}" if newer else "")


def main() -> int:
    jobs = [*product(SYSTEMS, VERSIONS, (True, False))]
    with ThreadPoolExecutor(4) as pool:
        answers = pool.map(lambda job: resolve(job[1], SYSTEMS[job[0]], "dev", wheels_only=job[2]), jobs)
        found = dict(zip(jobs, answers, strict=True))
        arm = [
            resolve(VERSIONS[-1], platform, "interactive", wheels_only=True)
            for platform in NOT_REQUIRED.values()
        ]
    failed = 0
    for system, version in product(SYSTEMS, VERSIONS):
        wheels, freely = found[system, version, True], found[system, version, False]
        reached = wheels.reached and freely.reached
        wrong = verdict(wheels, freely) if reached else "skipped, the package index can't be reached"
        failed += bool(wrong) and reached
        print(f"wheels: {system}, Python {version}: {wrong or f'{len(wheels.packages)} packages by wheels'}")
    for system, seen in zip(NOT_REQUIRED, arm, strict=True):
        said = seen.wrong or f"{len(seen.packages)} packages by wheels"
        print(
            f"wheels: {system} (not required), Python {VERSIONS[-1]}: {said if seen.reached else 'skipped'}"
        )
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
