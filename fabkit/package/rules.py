"""What can be wrong with a package as a set of files."""

from __future__ import annotations

from typing import Final

from fabkit.rules import load_rule

NO_COPPER: Final = load_rule("package/no-copper")
MISSING_COPPER: Final = load_rule("package/missing-copper")
MISSING_MASK: Final = load_rule("package/missing-mask")
MISSING_LEGEND: Final = load_rule("package/missing-legend")
MISSING_PROFILE: Final = load_rule("package/missing-profile")
MISSING_DRILL: Final = load_rule("package/missing-drill")
DOUBLED: Final = load_rule("package/doubled-role")
DOUBLED_SAME: Final = load_rule("package/doubled-same")
SAME_IMAGE: Final = load_rule("package/same-image")
UNKNOWN: Final = load_rule("package/unknown-role")
LOW_CONFIDENCE: Final = load_rule("package/low-confidence")
NAME_DISAGREES: Final = load_rule("package/name-disagrees")
CONTENT_DISAGREES: Final = load_rule("package/content-disagrees")
UNREADABLE: Final = load_rule("package/incomplete-file")
ARCHIVE_BESIDE: Final = load_rule("package/archive-beside")
COPPER_ORDER: Final = load_rule("package/copper-order-unknown")
JOB_FILE_MISSING: Final = load_rule("job/file-missing")
JOB_FILE_UNLISTED: Final = load_rule("job/file-unlisted")
JOB_FUNCTION: Final = load_rule("job/function-differs")
JOB_POLARITY: Final = load_rule("job/polarity-differs")
SHIFTED: Final = load_rule("register/shifted")
MIRRORED: Final = load_rule("register/mirrored")
SCALED: Final = load_rule("register/other-unit")
STRETCHED: Final = load_rule("register/stretched")
LOOSE: Final = load_rule("register/no-fit")
