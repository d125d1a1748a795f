"""The version of fabkit, readable from every room without loading anything else."""

from __future__ import annotations

VERSION = "0.1.0"

SOFTWARE = ("fabkit", "fabkit", VERSION)
"""Vendor, application and version, as files state what wrote them (Gerber specification 5.6.7)."""
