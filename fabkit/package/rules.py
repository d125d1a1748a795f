"""What can be wrong with a package as a set of files."""

from __future__ import annotations

from typing import Final

from fabkit.base.findings import Consequence, Rule, Severity, Source

_E, _W, _N = Severity.ERROR, Severity.WARNING, Severity.NOTE
_SET = Source("Gerber Layer Format Specification 2021.02", "section 6")
_JOB = Source("Gerber job file format", "published overview; key list from memory")


NO_COPPER: Final = Rule.of(
    "package/no-copper",
    "No copper layer in the package",
    "A plate or a front panel may be meant; a circuit board without copper is not.",
    _N,
    "Add the copper layers, unless a plate without circuits is ordered.",
)
MISSING_COPPER: Final = Rule.of(
    "package/missing-copper",
    "A copper layer is missing",
    "The board would be made without the tracks of that layer.",
    _E,
    "Export all copper layers again; order a one-sided board only if it is one.",
    _SET,
)
MISSING_MASK: Final = Rule.of(
    "package/missing-mask",
    "Copper without a solder mask file on its side",
    "Without the file the side is either left bare or covered entirely.",
    _W,
    "Export the solder mask of that side.",
    _SET,
)
MISSING_PROFILE: Final = Rule.of(
    "package/missing-profile",
    "No profile file in the package",
    "The board house does not know where to cut; a separate profile file is mandatory.",
    _E,
    "Export the board outline as a file of its own.",
    Source("Gerber Layer Format Specification 2021.02", "section 6.5"),
)
MISSING_DRILL: Final = Rule.of(
    "package/missing-drill",
    "No drill file in the package",
    "The board would come without holes, and its sides not connected.",
    _E,
    "Export the drill files.",
    _SET,
)
DOUBLED: Final = Rule.of(
    "package/doubled-role",
    "Two files claim the same role",
    "The board house will use one of them, and it may be the wrong one.",
    _E,
    "Remove the file that is out of date.",
    Source("Gerber Layer Format Specification 2021.02", "sections 2.1 and 7.1"),
)
DOUBLED_SAME: Final = Rule.of(
    "package/doubled-same",
    "Two files of one role hold the same image",
    "The image is not in doubt, but the board house may stop to ask.",
    _W,
    "Remove one of them.",
)
UNKNOWN: Final = Rule.of(
    "package/unknown-role",
    "The role of a file is not known",
    "It is not used here; a board house may use it, or ask.",
    _W,
    "Remove the file, give it a name or file function that says what it is, or say it with --role.",
    Source("Gerber Layer Format Specification 2021.02", "section 6.2"),
)
LOW_CONFIDENCE: Final = Rule.of(
    "package/low-confidence",
    "The role of a file is guessed from weak evidence",
    "A wrong guess puts the file's image on another layer.",
    _W,
    "Export with file function attributes, name the file after its layer, or say it with --role.",
    Source("Gerber Layer Format Specification 2021.02", "section 6.2"),
)
NAME_DISAGREES: Final = Rule.of(
    "package/name-disagrees",
    "A file's name speaks against its attributes, comments or the job file",
    "The board house reads one of them; if the other is right, layers are swapped.",
    _W,
    "Open the file in a viewer and rename it or export it again.",
    _SET,
)
CONTENT_DISAGREES: Final = Rule.of(
    "package/content-disagrees",
    "A file's content speaks against what it is called",
    "Openings that lie on the pads of the other side leave pads covered and copper bare.",
    _W,
    "Look at both sides in the pictures, then name the files after their layers or export again.",
    _SET,
)
UNREADABLE: Final = Rule.of(
    "package/incomplete-file",
    "A file could not be read to its end",
    "What follows the damage or the limit is missing from the board.",
    _E,
    "Export the file again.",
)
ARCHIVE_BESIDE: Final = Rule.of(
    "package/archive-beside",
    "An archive lies beside the loose layer files",
    "It is not used: it may hold another state of the same board.",
    _N,
    "Remove the archive, or name it alone to use it.",
)
COPPER_ORDER: Final = Rule.of(
    "package/copper-order-unknown",
    "The order of the inner copper layers is not stated",
    "Inner layers in the wrong order change what lies next to what.",
    _W,
    "Export with attributes (X2), or number the inner layers in their file names.",
    Source("Gerber Layer Format Specification 2021.02", "section 5.6.3"),
)
JOB_FILE_MISSING: Final = Rule.of(
    "job/file-missing",
    "The job file lists a file that is not in the package",
    "Either the layer is missing or the job file is out of date.",
    _E,
    "Add the file, or export the job file again.",
    _JOB,
)
JOB_FILE_UNLISTED: Final = Rule.of(
    "job/file-unlisted",
    "A layer file is not listed in the job file",
    "Software that goes by the job file will leave it out.",
    _W,
    "Export the job file again.",
    _JOB,
    at_most=Consequence.KNOW,
)
JOB_FUNCTION: Final = Rule.of(
    "job/function-differs",
    "The job file and the layer file name different functions",
    "One of them puts the image on the wrong layer.",
    _E,
    "Export all files again in one go.",
    _JOB,
)
JOB_POLARITY: Final = Rule.of(
    "job/polarity-differs",
    "The job file and the layer file state different polarities",
    "Read the wrong way, material and void change places.",
    _E,
    "Export all files again in one go.",
    _JOB,
)
_ALIGNED = Source("Gerber Layer Format Specification 2021.02", "6.2, alignment of files")
SHIFTED: Final = Rule.of(
    "register/shifted",
    "File lies beside the others",
    "All files of a board must share one origin; this one would be made out of place.",
    _E,
    "Export all files again in one go, with the same origin.",
    _ALIGNED,
)
MIRRORED: Final = Rule.of(
    "register/mirrored",
    "File is mirrored or turned",
    "All files are seen from the top, the bottom ones too; this one was turned over.",
    _E,
    "Export the file again without mirroring or turning.",
    _ALIGNED,
)
SCALED: Final = Rule.of(
    "register/other-unit",
    "File is in another unit than it says",
    "Its coordinates fit the other files only after a change of unit or digits.",
    _E,
    "Export the file again and check its unit and number format.",
    _ALIGNED,
)
LOOSE: Final = Rule.of(
    "register/no-fit",
    "File does not fit the others",
    "Hardly anything in it lies where the other files have its counterpart: it may belong to "
    "another board or revision.",
    _W,
    "Check that all files belong to one revision.",
    _ALIGNED,
)
