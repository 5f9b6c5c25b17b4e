"""Warnings as JSON for other programs. Pure. A published field keeps its name and meaning."""

import json
from datetime import UTC, datetime

from groundbox.advice.result import BoxAdvice
from groundbox.model import WarningChange


def change_json(change: WarningChange) -> str:
    """A warning that was raised, cleared or acknowledged; `id` is the same each time it is sent."""
    return json.dumps(
        {
            "id": f"{change.box}/{change.warning}/{change.severity}/{change.change}/{change.wall_s:.3f}",
            "box": change.box,
            "warning": change.warning,
            "severity": change.severity,
            "change": change.change,
            "sentence": change.sentence,
            "time": utc_text(change.wall_s),
        }
    )


def box_json(box: BoxAdvice, wall_s: float) -> str:
    """The verdict on one box and its active warnings, most severe first; an empty list when there is none."""
    return json.dumps(
        {
            "box": box.box,
            "time": utc_text(wall_s),
            "verdict": box.verdict,
            "severity": box.severity,
            "headline": box.headline,
            "action": box.action,
            "turn_back_at": box.turn_back_at,
            "warnings": [
                {
                    "warning": one.kind,
                    "severity": one.severity,
                    "sentence": one.sentence,
                    "acknowledged": one.acknowledged,
                }
                for one in box.warnings
            ],
        }
    )


def utc_text(wall_s: float) -> str:
    """ISO 8601, as 2026-05-01T10:20:30Z."""
    return datetime.fromtimestamp(wall_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
