"""A layer laid elsewhere: mirrored, turned by quarter turns, shifted."""

from __future__ import annotations

from dataclasses import replace

from fabkit.formats.gerber.model import GerberFile, Pose
from fabkit.geometry.placing import Placing


def move(file: GerberFile, placing: Placing) -> GerberFile:
    """The same layer with every object, contour and pose laid as ``placing`` says."""
    return replace(
        file,
        objects=file.objects.with_columns(**placing.columns(file.objects)),
        segments=file.segments.with_columns(**placing.columns(file.segments)),
        poses=tuple(_posed(pose, placing) for pose in file.poses),
    )


def _posed(pose: Pose, placing: Placing) -> Pose:
    turn = 90.0 * placing.quarter_turns
    if not placing.mirrored:
        return replace(pose, rotation_deg=(turn + pose.rotation_deg) % 360)
    # A mirror image of a turned shape is the mirrored shape turned the other way.
    return replace(pose, mirror_x=not pose.mirror_x, rotation_deg=(turn - pose.rotation_deg) % 360)
