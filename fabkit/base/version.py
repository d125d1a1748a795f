"""The version of fabkit, readable from every room without loading anything else."""

from __future__ import annotations

VERSION = "0.1.0"
