"""The scene's own process: ``python -m harness_plugins.scene --scene tarn-ridge --frame-log frames.csv``.

Prints ``ready`` once drawing begins, ``pass N …`` at the end of each pass, and ``done …`` at the end.

The frame log's times are ``time.perf_counter`` seconds: the same clock that the harness reads, comparable
between processes of one boot on Linux (CLOCK_MONOTONIC) and Windows (QueryPerformanceCounter).
"""

from __future__ import annotations

import argparse
import gc
import os
import signal
import sys
import threading
import time
from io import TextIOWrapper
from pathlib import Path
from typing import TextIO

from pydantic import ValidationError

from harness_plugins.scene.options import SUMMARIES, SceneOptions, course_factor
from harness_plugins.scene.renderer import Renderer, open_renderer

LOG_HEADER = "frame,pass,end_s,frametime_ms,gpu_ms"
_FLUSH_S = 0.5


def main(arguments: list[str] | None = None) -> int:
    """Run one scene; the exit code is 0 unless it could not be drawn."""
    if isinstance(sys.stdout, TextIOWrapper):  # what is said of a card is read as UTF-8, on every system
        sys.stdout.reconfigure(encoding="utf-8", errors="backslashreplace")
    args = _parser().parse_args(arguments)
    if args.list:
        for name, summary in SUMMARIES.items():
            print(f"{name:<14}{summary}")
        return 0
    if args.adapters:
        return _list_adapters()
    given = {name: getattr(args, name) for name in SceneOptions.model_fields}
    try:
        options = SceneOptions.model_validate({k: v for k, v in given.items() if v is not None})
    except ValidationError as error:
        print(*(f"error {e['loc'][0]}: {e['msg']}" for e in error.errors()), sep="\n", file=sys.stderr)
        return 2
    stopped = threading.Event()
    if args.until_input_ends:
        threading.Thread(target=_wait_for_end_of_input, args=(stopped,), daemon=True).start()
    _stop_on_request(stopped)
    threads = options.threads or allowed_processors()
    try:
        renderer = open_renderer(options, threads, args.card)
    except RuntimeError as error:
        print(f"error {error}", flush=True)
        return 1
    gc.disable()  # the loop makes no reference cycles; a collection would be a stutter of our own
    try:
        with args.frame_log.open("w", encoding="ascii", newline="\n") as log:
            log.write(LOG_HEADER + "\n")
            frames, elapsed_s = _draw(renderer, options, log, stopped)
        if args.picture is not None:
            _save_picture(renderer, args.picture)
        print(f"done {frames} frames in {elapsed_s:.3f} s", flush=True)
    finally:
        renderer.close()
    return 0


def _list_adapters() -> int:
    from harness_plugins.scene.gpu_device import describe_adapter, find_adapters, is_software

    try:
        adapters = find_adapters()
    except RuntimeError as error:
        print(f"error {error}")
        return 1
    for adapter in adapters:
        print(f"{'program' if is_software(adapter) else 'card'} {describe_adapter(adapter)}")
    return 0


def allowed_processors() -> int:
    """Logical processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    import psutil

    return len(psutil.Process().cpu_affinity() or range(os.cpu_count() or 1))


def _draw(
    renderer: Renderer, options: SceneOptions, log: TextIO, stopped: threading.Event
) -> tuple[int, float]:
    """Draw until told to stop. Returns frames drawn and seconds taken."""
    now = time.perf_counter
    cap_s = 1 / options.frame_cap_fps if options.frame_cap_fps else 0.0
    lines: list[str] = []
    count = 0
    renderer.prepare()
    print(f"ready {renderer.describe()}", flush=True)
    # A frame that does not count, so that the first that does has the end of one before it:
    start_s = last_s = flushed_s = renderer.draw(0, options.load * course_factor(options.course, 0)).end_s
    renderer.prepare()
    while not stopped.is_set():
        number, frame = divmod(count, options.frames_per_pass)
        if frame == 0 and count:
            shown = renderer.fingerprint() or "not fetched"
            print(f"pass {number} of {options.frames_per_pass} frames, last picture {shown}", flush=True)
            renderer.prepare()
        end_s, gpu_ms = renderer.draw(frame, options.load * course_factor(options.course, frame))
        if cap_s:
            time.sleep(max(0.0, start_s + (count + 1) * cap_s - now()))
            end_s = now()
        on_card = "" if gpu_ms is None else f"{gpu_ms:.4f}"
        lines.append(f"{count},{number + 1},{end_s:.7f},{(end_s - last_s) * 1e3:.4f},{on_card}\n")
        last_s = end_s
        count += 1
        if end_s - flushed_s > _FLUSH_S:
            log.writelines(lines)
            log.flush()
            lines.clear()
            flushed_s = end_s
        if count == options.frames or (options.seconds and end_s - start_s >= options.seconds):
            break
    log.writelines(lines)
    return count, last_s - start_s


def _stop_on_request(stopped: threading.Event) -> None:
    """End in order, with the whole frame log written, at Ctrl-C and at the system's request to end."""
    for name in ("SIGINT", "SIGTERM", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), lambda *_: stopped.set())


def _wait_for_end_of_input(stopped: threading.Event) -> None:
    """The harness holds a pipe to us: its end means stop, also when the harness was killed."""
    try:
        while os.read(0, 4096):
            pass
    except OSError:
        pass
    stopped.set()


def _save_picture(renderer: Renderer, path: Path) -> None:
    import matplotlib.image

    matplotlib.image.imsave(path, renderer.picture(), cmap="gray", vmin=0, vmax=255)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m harness_plugins.scene",
        description="Draw a built-in scene and log every frame.",
        epilog="example: python -m harness_plugins.scene --scene slow-tide --seconds 10",
    )
    parser.add_argument("--list", action="store_true", help="list the scenes and end")
    parser.add_argument("--adapters", action="store_true", help="list the graphics adapters and end")
    for name, field in SceneOptions.model_fields.items():
        default = "" if field.is_required() or field.default is None else f" (default {field.default})"
        parser.add_argument(
            "--" + name.replace("_", "-"),
            help=(field.description or "") + default,
            default="tarn-ridge" if name == "scene" else None,
        )
    parser.add_argument("--card", help="gpu only: vendor and device number of the card, as 10de:2684")
    parser.add_argument("--frame-log", type=Path, default=Path("frames.csv"), help="file for the frame log")
    parser.add_argument("--picture", type=Path, help="file for the last frame, as PNG")
    parser.add_argument("--until-input-ends", action="store_true", help="stop when standard input is closed")
    return parser


if __name__ == "__main__":
    sys.exit(main())
