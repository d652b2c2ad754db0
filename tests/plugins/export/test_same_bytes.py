"""The same draft gives the same bytes in every process, whatever its hash seed, clock or time zone."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = """
import hashlib, importlib, json, runpy, sys
draft = runpy.run_path(sys.argv[1])["make_draft"]()
digests = {}
kinds = {"dxf": {}, "dxf_plain": {}, "interchange": {}, "svg": {}, "pdf": {"pages": "piece"}, "png": {}}
for kind, options in kinds.items():
    module = importlib.import_module(f"oaktag_plugins.export_{kind}")
    (spec,) = module.oaktag_stages()
    result = spec.load_run()(draft, spec.load_options()(**options))
    digests[kind] = hashlib.sha256(result.artifacts[0].data).hexdigest()
    forbidden = sorted(name for name in (b"/tmp", sys.prefix.encode()) if name in result.artifacts[0].data)
    assert not forbidden, forbidden
json.dump(digests, sys.stdout)
"""


def digests(**variables: str) -> dict[str, str]:
    environment = {name: value for name, value in os.environ.items() if name != "SOURCE_DATE_EPOCH"}
    answer = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(Path(__file__).with_name("conftest.py"))],
        env=environment | variables,
        capture_output=True,
        text=True,
        check=False,
    )
    assert answer.returncode == 0, answer.stderr
    found: dict[str, str] = json.loads(answer.stdout)
    return found


@pytest.fixture(scope="module")
def usual() -> dict[str, str]:
    return digests(PYTHONHASHSEED="1", TZ="UTC")


def test_hash_seed_and_time_zone_change_nothing(usual: dict[str, str]) -> None:
    assert usual == digests(PYTHONHASHSEED="2", TZ="Pacific/Auckland")


def test_a_source_date_changes_only_what_carries_a_date(usual: dict[str, str]) -> None:
    dated = digests(PYTHONHASHSEED="3", SOURCE_DATE_EPOCH="1700000000")
    assert {kind for kind in usual if usual[kind] != dated[kind]} == {"dxf", "interchange", "pdf"}
