"""Speed on two cores, the saving over every frame, memory: part of ``make bench``.

Film of 1920x1080 at 30 frames a second is made from sample_frames/ (enlarged, H.264 again): decoding and networks
see the size that coaches' film has; cut film is seldom shorter than these clips, and longer film costs less a
second. Work is wall-clock time of `snapledger chart FOLDER` on two cores with nothing beside it, its processes'
start included. The saving compares one process with itself, models loaded once.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import av
import cv2
import numpy as np

from pipeline import config as configs
from pipeline import film, motion, tools
from pipeline.chart import chart_clip
from pipeline.tracks import Sample

CORES = 2
LONG_CLIPS = 18  # joined to the long file
FOLDER_CLIPS = 12  # a folder of so many clips, the samples over again; a game is ten times as many
EVERY_FRAME_LOOKS = 24


def as_1080p(clips: Sequence[Path], target: Path) -> Path:
    """The clips one after the other as one 1920x1080 H.264 file at 30 frames a second; made once."""
    if target.exists():
        return target
    target.parent.mkdir(parents=True, exist_ok=True)
    partial = target.with_name("." + target.name)
    with av.open(str(partial), "w", format="mp4") as out:
        stream = out.add_stream("libx264", rate=30, options={"crf": "23", "preset": "veryfast"})
        stream.width, stream.height, stream.pix_fmt = 1920, 1080, "yuv420p"
        for clip in clips:
            for _, _, image in film.decode(clip):
                big = np.asarray(cv2.resize(image, (1920, 1080), interpolation=cv2.INTER_CUBIC), np.uint8)
                for packet in stream.encode(av.VideoFrame.from_ndarray(big, format="bgr24")):
                    out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)
    partial.rename(target)
    return target


def use_two_cores() -> None:
    """Keep this process to two cores where the system allows it."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:CORES])
    cv2.setNumThreads(CORES)


def sparse_work(path: Path, loaded: tools.Tools, config: configs.Config, out: Path) -> tuple[float, float]:
    """(seconds of work, seconds of film) of charting a file as the program does, pictures included."""
    start = time.perf_counter()
    result = chart_clip(path, path.name, path.stem, config, loaded, out)
    return time.perf_counter() - start, result.film_s


def every_frame_work(path: Path, loaded: tools.Tools) -> float:
    """Seconds to decode a file and find, register and track people on every frame of it.

    Decoding, camera motion and the number of frames are measured over the whole file; finding, registering and
    joining to tracks on EVERY_FRAME_LOOKS frames in a row, and multiplied.
    """
    start = time.perf_counter()
    frames = sum(len(m.frame) for _, m in motion.measure(path))
    pictures = [image for _, _, image in film.decode(path, wanted=list(range(60, 60 + EVERY_FRAME_LOOKS)))]
    base = time.perf_counter() - start
    start = time.perf_counter()
    samples = []
    camera = None
    for k, image in enumerate(pictures):
        people = loaded.finder.find(image)
        registration = loaded.registrar.register(image, people=people, hint=camera)
        camera = registration.camera or camera
        samples.append(Sample(60 + k, k / 30 - 0.4, people, registration))
    loaded.build_tracks(samples)
    return base + (time.perf_counter() - start) * frames / len(pictures)


def run_command(arguments: Sequence[str]) -> subprocess.CompletedProcess[str]:
    """``snapledger`` in a process of its own, which says at its end how large it and its largest worker were.

    On Linux its own peak is VmHWM of proc_pid_status(5): what getrusage(2) gives is never less than the peak of the
    process that started it, here the bench with all networks loaded.
    """
    code = (
        "import resource as r, sys\nfrom pipeline.cli import app\n"
        "try:\n    app(sys.argv[1:])\nfinally:\n"
        "    own, child = (r.getrusage(w).ru_maxrss for w in (r.RUSAGE_SELF, r.RUSAGE_CHILDREN))\n"
        "    if sys.platform == 'linux':\n"
        "        status = open('/proc/self/status').read()\n"
        "        own = int(status.split('VmHWM:')[1].split()[0])\n"
        "    print('PEAK', own + child)\n"
    )
    command = [sys.executable, "-c", code, *arguments]
    root = Path(__file__).resolve().parents[2]
    return subprocess.run(command, cwd=root, capture_output=True, text=True, check=False)


def peak_memory_gib(path: Path, out: Path) -> float:
    """Peak resident memory of ``snapledger chart`` on a file: the program's own and its worker's, added."""
    done = run_command(["chart", str(path), "--out", str(out)])
    peak = [line for line in done.stdout.splitlines() if line.startswith("PEAK ")]
    if not peak:
        raise SystemExit(f"Measuring memory failed: {done.stderr}")
    unit = 1 if sys.platform == "darwin" else 1024  # getrusage(2): kilobytes on Linux, bytes on macOS
    return int(peak[0].split()[1]) * unit / 2**30


def folder_work(clips: Sequence[Path], out: Path) -> float:
    """Seconds of work for a second of film: a folder of clips through the command, as many processes as it takes."""
    folder = out / "folder"
    folder.mkdir(parents=True, exist_ok=True)
    for k in range(FOLDER_CLIPS):
        source, copy = clips[k % len(clips)], folder / f"clip_{k:02d}.mp4"
        if not copy.exists():
            os.link(source, copy)
    done = run_command(["chart", str(folder), "--out", str(out / "folder_run")])
    path = out / "folder_run" / "run.json"
    if done.returncode not in (0, 3) or not path.is_file():
        raise SystemExit(f"Measuring speed failed: {done.stderr}")
    facts = json.loads(path.read_text(encoding="utf-8"))
    return float(facts["wall_s"]) / sum(float(c["film_s"]) for c in facts["clips"])


def measure(clips: Sequence[Path], out: Path) -> dict[str, float]:
    """Speed, saving and memory. Keys as in models/metrics.json."""
    use_two_cores()
    config = configs.load().with_("execution", threads=CORES)
    loaded = tools.load(config)
    chosen = [as_1080p([c], out / f"speed_{c.stem}.mp4") for c in clips[::2]]
    loaded.finder.find(np.zeros((1080, 1920, 3), np.uint8))  # the first call of a network sets it up
    ours = [sparse_work(path, loaded, config, out / "run") for path in chosen]
    every = [every_frame_work(path, loaded) for path in chosen]
    work, seconds = (float(sum(v)) for v in zip(*ours, strict=True))
    long_film = as_1080p([clips[k % len(clips)] for k in range(LONG_CLIPS)], out / "long.mp4")
    every_clip = [as_1080p([c], out / f"speed_{c.stem}.mp4") for c in clips]
    return {
        "work_s_per_film_s": folder_work(every_clip, out),
        "work_one_process_s_per_film_s": work / seconds,
        "saving_over_every_frame": float(sum(every)) / work,
        "peak_memory_gib": peak_memory_gib(long_film, out / "long_run"),
    }
