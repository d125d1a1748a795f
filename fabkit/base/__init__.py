"""What every room uses: units, errors, limits, findings, columns; and how our files are stamped.

Readable without loading anything else.
"""

VERSION = "0.1.0"

SOFTWARE = ("fabkit", "fabkit", VERSION)
"""Vendor, application and version, as files state what wrote them (Gerber specification 5.6.7)."""

ZIP_DATE = (1980, 1, 1, 0, 0, 0)
"""Date of all that is zipped, the first a zip can hold: the same input gives the same bytes."""
