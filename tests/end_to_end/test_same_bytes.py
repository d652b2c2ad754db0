"""The same inputs give the same bytes in every process, whatever its hash seed and its time zone."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
FRAMES = ROOT / "recipes" / "frames"

RUN_ALL = """
import json, sys
from oaktag.cli.app import run
sys.exit(max(run(arguments) for arguments in json.loads(sys.argv[1])))
"""


def test_two_processes_with_different_hash_seeds_write_the_same_bytes(tmp_path: Path) -> None:
    # Every output, two bodies with what is sewn on, and every way to make an opening.
    chosen = [
        (ROOT / "recipes" / f"{recipe}.recipe.toml", FRAMES / f"{frame}.frame.toml")
        for recipe, frame in (("every-output", "towpath-16-pump"), ("two-bags", "towpath-3-small"))
    ]
    chosen += [
        (recipe, frame)
        for folder in sorted((ROOT / "recipes" / "sources").iterdir())
        for recipe in sorted(folder.glob("*.recipe.toml"))
        for frame in sorted(folder.glob("*.frame.toml"))
    ]
    running = []
    for seed, zone in (("1", "UTC"), ("4711", "Asia/Tokyo")):
        out = tmp_path / seed
        jobs = [
            ["make", str(recipe), "--frame", str(frame), "--out", str(out), "--quiet"]
            for recipe, frame in chosen
        ]
        environment = {**os.environ, "PYTHONHASHSEED": seed, "TZ": zone}
        command = [sys.executable, "-c", RUN_ALL, json.dumps(jobs)]
        running.append((out, subprocess.Popen(command, env=environment, cwd=tmp_path)))
    digests = []
    for out, process in running:
        assert process.wait() == 0
        files = sorted(path for path in out.rglob("*") if path.is_file())
        digests.append({str(p.relative_to(out)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files})
    assert digests[0] == digests[1]
    assert len(digests[0]) >= 2 * len(chosen) >= 14
