"""What the capture costs a program: with and without it, alternated. Needs Python alone, and prints JSON.

    python capture_effect.py --library LIB.so --pairs 20 -- ./presents --headless plain 5000

The program prints ``presents: N`` and writes the time of each present by itself, so that with and without
capture the same clock tells; {log} in its words is that file. With capture, the ring is compared with it.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import re
import statistics
import struct
import subprocess
import sys
import tempfile
from pathlib import Path

LAYER = "VK_LAYER_LEVELRIG_capture"


def manifest(library: Path, folder: Path) -> None:
    layer = {
        "name": LAYER,
        "type": "GLOBAL",
        "library_path": str(library),
        "api_version": "1.4.0",
        "implementation_version": "1",
        "description": "records when frames are presented",
    }
    (folder / "layer.json").write_text(json.dumps({"file_format_version": "1.2.0", "layer": layer}))


def figures(times_ns: list[int], skip: int) -> dict[str, float]:
    """Average FPS and 1 % low (1000 / 99th percentile of frame time, Hyndman-Fan type 7)."""
    times_ns = times_ns[skip:]
    frames_ms = sorted((b - a) / 1e6 for a, b in itertools.pairwise(times_ns))
    place = 0.99 * (len(frames_ms) - 1)
    low = int(place)
    high = min(low + 1, len(frames_ms) - 1)
    slow_ms = frames_ms[low] + (frames_ms[high] - frames_ms[low]) * (place - low)
    return {
        "average_fps": 1e9 * len(frames_ms) / (times_ns[-1] - times_ns[0]),
        "one_percent_low_fps": 1000 / slow_ms,
        "median_fps": 1000 / statistics.median(frames_ms),
    }


def presents_in(folder: Path) -> list[tuple[int, int]]:
    """Call and return of each present in the rings, ns."""
    found = []
    for path in folder.glob("*.ring"):
        data = path.read_bytes()
        capacity = struct.unpack_from("<Q", data, 16)[0]
        head = struct.unpack_from("<Q", data, 512)[0]
        for place in range(max(0, head - capacity), head):
            at = 4096 + place % capacity * 64
            sequence, call_ns, return_ns = struct.unpack_from("<3Q", data, at)
            kind = struct.unpack_from("<I", data, at + 60)[0] >> 24
            if sequence == place + 1 and kind != 4:
                found.append((call_ns, return_ns))
    return found


def run(words: list[str], captured: bool, args: argparse.Namespace, layers: Path) -> dict[str, object]:
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="capture-effect-", dir=memory) as name:
        folder, log = Path(name), Path(name) / "own.txt"
        environment = dict(os.environ)
        if captured:
            environment |= {
                "LEVELRIG_CAPTURE": name,
                "LD_PRELOAD": str(args.library),
                "VK_INSTANCE_LAYERS": LAYER,
                "VK_ADD_LAYER_PATH": str(layers),
            }
            if args.display:
                environment["LEVELRIG_CAPTURE_DISPLAY"] = "1"
        words = [word.replace("{log}", str(log)) for word in words]
        done = subprocess.run(words, env=environment, capture_output=True, text=True, timeout=args.timeout)
        said = re.search(r"presents: (\d+)", done.stdout)
        found: dict[str, object] = {"captured": captured, "exit_code": done.returncode}
        found["presents"] = int(said[1]) if said else None
        if done.returncode:
            found["stderr"] = done.stderr[-400:]
            return found
        device = re.search(r"device: (.*)", done.stderr)
        found["device"] = device[1] if device else None
        own_ns = [int(line) for line in log.read_text().split()] if log.exists() else []
        if len(own_ns) > args.skip + 2:
            found |= figures(own_ns, args.skip)
        if captured:
            calls = presents_in(folder)
            found["in_ring"] = len(calls)
            found["failures"] = [path.name for path in folder.glob("*.failed")]
            late_ns = [call - own for (call, _), own in zip(calls, own_ns, strict=False)]
            if late_ns and len(calls) == len(own_ns):
                found["after_own_clock_median_ns"] = statistics.median(late_ns)
            if args.display:
                found["displayed"] = sum(displayed_in(path) for path in folder.glob("*.ring"))
        return found


def displayed_in(path: Path) -> int:
    data = path.read_bytes()
    head = min(struct.unpack_from("<Q", data, 512)[0], 65536)
    return sum(data[4096 + 64 * n + 63] == 4 for n in range(head))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--library", type=Path, required=True)
    parser.add_argument("--pairs", type=int, default=10)
    parser.add_argument("--skip", type=int, default=100, help="presents at the start that do not count")
    parser.add_argument("--timeout", type=float, default=120)
    parser.add_argument("--display", action="store_true")
    parser.add_argument("words", nargs="+")
    args = parser.parse_args()
    args.library = args.library.resolve()
    runs = []
    with tempfile.TemporaryDirectory() as name:
        layers = Path(name)
        manifest(args.library, layers)
        for pair in range(args.pairs):
            for captured in (False, True) if pair % 2 else (True, False):
                runs.append({"pair": pair, **run(args.words, captured, args, layers)})
                print(json.dumps(runs[-1]), file=sys.stderr)
    json.dump({"words": args.words, "runs": runs}, sys.stdout, indent=1)


if __name__ == "__main__":
    main()
