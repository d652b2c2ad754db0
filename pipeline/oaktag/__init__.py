"""From the readings of one bicycle frame to the proved, true-size pattern of its frame bag."""

from __future__ import annotations
