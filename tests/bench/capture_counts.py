"""Captured frames of real programs against what each prints itself. Needs a display (Xvfb does).

    python tests/bench/capture_counts.py

A program that prints how many frames it drew in a stretch of time (``2738 frames in 5.0 seconds = 547 FPS``)
says so of the presents after the stretch before, for as long as the two numbers tell.
"""

from __future__ import annotations

import csv
import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path

PRINTS = re.compile(r"(\d+) frames in \d+\.\d seconds = +(\d+\.\d+) FPS")
PROGRAMS = {
    "vkcube": (["vkcube", "--c", "2000"], 2000, None),
    "vkcubepp": (["vkcubepp", "--c", "2000"], 2000, None),
    "glxgears": (["glxgears"], None, 21),
    "es2gears_x11": (["stdbuf", "-oL", "es2gears_x11"], None, 21),
    "mpv, OpenGL": (["mpv", "--gpu-api=opengl"], 1000, None),
    "mpv, Vulkan": (["mpv", "--gpu-api=vulkan"], 1000, None),
}
VIDEO = [
    "--no-config", "--vo=gpu", "--gpu-sw", "--untimed", "--osd-level=0", "--no-osc",
    "--framedrop=no", "--no-audio",
    "--term-status-msg=shown ${estimated-frame-number}", "--frames=1000",
    "av://lavfi:testsrc=size=320x240:rate=50:duration=40",
]  # fmt: skip


def main() -> None:
    for name, (words, printed, seconds) in PROGRAMS.items():
        if sys.argv[1:] and name not in sys.argv[1:]:
            continue
        words = [*words, *(VIDEO if words[0] == "mpv" else [])]
        with tempfile.TemporaryDirectory() as folder:
            log = Path(folder) / "presents.csv"
            command = ["levelrig", "capture", "--json", "--to", str(log)]
            command += ["--seconds", str(seconds)] if seconds else []
            done = subprocess.run([*command, "--", *words], capture_output=True, text=True, check=False)
            if done.returncode:
                print(f"{name}: {done.stderr[-500:]}")
                continue
            found = json.loads(done.stdout)
            said = [(int(count), int(count) / float(fps)) for count, fps in PRINTS.findall(done.stderr)]
            if printed is not None:
                shown = re.findall(r"shown (\d+)", done.stderr)
                own = f"{printed} asked for" + (f", {int(shown[-1]) + 1} said" if shown else "")
                print(f"{name}: captured {found['frames']}, {own}; {found['notes'][0][:60]}")
            else:
                rows = csv.DictReader(
                    line for line in log.read_text().splitlines() if not line.startswith("#")
                )
                t_s = [int(row["call_ns"]) / 1e9 for row in rows]
                at = said[0][0]  # the first stretch began before the first present, as its shaders were made
                for count, lasted_s in said[1:]:
                    after = min(range(len(t_s) - at), key=lambda n: abs(t_s[at + n] - t_s[at] - lasted_s))
                    by = found["notes"][0][:40]
                    print(f"{name}: printed {count} in {lasted_s:.3f} s, captured {after}; {by}")
                    at += count


main()
