"""Rules about the syntax, header and state of a Gerber file."""

from __future__ import annotations

from typing import Final

from fabkit.rules import load_rule

# Identity of the file
NO_APERTURES: Final = load_rule("gerber/no-apertures")
NOT_GERBER: Final = load_rule("gerber/not-a-layer")
TOO_LARGE: Final = load_rule("gerber/limit")
BYTE_ORDER_MARK: Final = load_rule("gerber/byte-order-mark")

# Syntax
STRAY_TEXT: Final = load_rule("gerber/stray-text")
STRAY_SPACE: Final = load_rule("gerber/stray-space")
STRAY_CHARACTER: Final = load_rule("gerber/stray-character")
UNBALANCED_PERCENT: Final = load_rule("gerber/unbalanced-percent")
UNKNOWN_COMMAND: Final = load_rule("gerber/unknown-command")
SEVERAL_COMMANDS: Final = load_rule("gerber/several-commands")
CODE_SPELLING: Final = load_rule("gerber/code-spelling")
WORD_ORDER: Final = load_rule("gerber/word-order")
COMBINED_WORD: Final = load_rule("gerber/combined-word")
NO_END: Final = load_rule("gerber/no-end")
TEXT_AFTER_END: Final = load_rule("gerber/text-after-end")
OLD_END: Final = load_rule("gerber/old-end")
END_INSIDE: Final = load_rule("gerber/end-inside")

# Format, unit, coordinates
FORMAT_MISSING: Final = load_rule("gerber/format-missing")
FORMAT_WRONG: Final = load_rule("gerber/format-wrong")
FORMAT_REPEATED: Final = load_rule("gerber/format-repeated")
FORMAT_LATE: Final = load_rule("gerber/format-late")
TRAILING_FORMAT: Final = load_rule("gerber/trailing-zeros")
INCREMENTAL: Final = load_rule("gerber/incremental")
LOW_RESOLUTION: Final = load_rule("gerber/low-resolution")
UNIT_MISSING: Final = load_rule("gerber/unit-missing")
UNIT_BY_G: Final = load_rule("gerber/unit-by-g-code")
UNIT_CONFLICT: Final = load_rule("gerber/unit-conflict")
UNIT_AFTER_SIZES: Final = load_rule("gerber/unit-after-sizes")
INCH_UNIT: Final = load_rule("gerber/inch-unit")
NUMBER_WIDTH: Final = load_rule("gerber/number-width")
NUMBER_RANGE: Final = load_rule("gerber/number-range")
NUMBER_WRONG: Final = load_rule("gerber/number-wrong")
COORDINATE_EMPTY: Final = load_rule("gerber/coordinate-empty")
COORDINATE_DECIMAL: Final = load_rule("gerber/coordinate-decimal")
AXES_DIFFER: Final = load_rule("gerber/axes-differ")

# State
BEFORE_HEADER: Final = load_rule("gerber/operation-undefined")
POINT_UNDEFINED: Final = load_rule("gerber/point-undefined")
MODE_UNDEFINED: Final = load_rule("gerber/mode-undefined")
MODAL_OPERATION: Final = load_rule("gerber/modal-operation")
BARE_COORDINATES: Final = load_rule("gerber/bare-coordinates")
APERTURE_UNDEFINED: Final = load_rule("gerber/aperture-undefined")
APERTURE_CODE: Final = load_rule("gerber/aperture-code")
APERTURE_REPEATED: Final = load_rule("gerber/aperture-repeated")
APERTURE_TWICE: Final = load_rule("gerber/aperture-twice")
OLD_CODE: Final = load_rule("gerber/deprecated-code")
OLD_TEXT: Final = load_rule("gerber/deprecated-name")
IMAGE_DEFAULT: Final = load_rule("gerber/image-default")
IMAGE_CHANGED: Final = load_rule("gerber/image-changed")
IMAGE_NEGATIVE: Final = load_rule("gerber/image-negative")

# Apertures and macros
APERTURE_WRONG: Final = load_rule("gerber/aperture-wrong")
PARAMETER_COUNT: Final = load_rule("gerber/parameter-count")
SIZE_ZERO: Final = load_rule("gerber/size-zero")
HOLE_OUTSIDE: Final = load_rule("gerber/hole-outside")
HOLE_ZERO: Final = load_rule("gerber/hole-zero")
HOLE_RECTANGULAR: Final = load_rule("gerber/hole-rectangular")
VERTICES: Final = load_rule("gerber/vertices")
MACRO_UNKNOWN: Final = load_rule("gerber/macro-unknown")
MACRO_TWICE: Final = load_rule("gerber/macro-twice")
MACRO_EMPTY: Final = load_rule("gerber/macro-empty")
MACRO_PRIMITIVE: Final = load_rule("gerber/macro-primitive")
MACRO_EXPRESSION: Final = load_rule("gerber/macro-expression")
MACRO_MULTIPLY: Final = load_rule("gerber/macro-multiply")
MACRO_SPELLING: Final = load_rule("gerber/macro-spelling")
MACRO_VARIABLE: Final = load_rule("gerber/macro-variable")
MACRO_UNSET: Final = load_rule("gerber/macro-variable-unset")
MACRO_OLD: Final = load_rule("gerber/macro-deprecated")
MACRO_OUTLINE: Final = load_rule("gerber/macro-outline")

# Operations and arcs
STROKE_TOOL: Final = load_rule("gerber/stroke-tool")
STROKE_RECTANGLE: Final = load_rule("gerber/stroke-rectangle")
STROKE_POINT: Final = load_rule("gerber/stroke-point")
ARC_WITHOUT_G75: Final = load_rule("gerber/arc-without-g75")
ARC_SINGLE_QUADRANT: Final = load_rule("gerber/arc-single-quadrant")
ARC_NO_CENTRE: Final = load_rule("gerber/arc-no-centre")
ARC_HALF_CENTRE: Final = load_rule("gerber/arc-half-centre")
ARC_DEVIATION: Final = load_rule("gerber/arc-deviation")
ARC_BROKEN: Final = load_rule("gerber/arc-broken")
ARC_STRAIGHT: Final = load_rule("gerber/arc-straight")
ARC_POINT: Final = load_rule("gerber/arc-point")
ARC_TINY: Final = load_rule("gerber/arc-tiny")
OFFSET_UNUSED: Final = load_rule("gerber/offset-unused")

# Transformations, blocks, repeats
LOAD_WRONG: Final = load_rule("gerber/load-wrong")
SCALE_WRONG: Final = load_rule("gerber/scale-wrong")
BLOCK_UNBALANCED: Final = load_rule("gerber/block-unbalanced")
REPEAT_UNBALANCED: Final = load_rule("gerber/repeat-unbalanced")
REPEAT_NESTED: Final = load_rule("gerber/repeat-nested")
REPEAT_WRONG: Final = load_rule("gerber/repeat-wrong")

# Regions
REGION_UNBALANCED: Final = load_rule("gerber/region-unbalanced")
REGION_COMMAND: Final = load_rule("gerber/region-command")
REGION_NO_START: Final = load_rule("gerber/region-no-start")
REGION_EMPTY: Final = load_rule("gerber/region-empty")
CONTOUR_OPEN: Final = load_rule("gerber/contour-open")

# Attributes, as far as the reader itself meets them
ATTRIBUTE_NAME: Final = load_rule("gerber/attribute-name")
ATTRIBUTE_REPEATED: Final = load_rule("gerber/attribute-repeated")
ATTRIBUTE_KIND: Final = load_rule("gerber/attribute-kind")
ATTRIBUTE_ESCAPE: Final = load_rule("gerber/attribute-escape")
ATTRIBUTE_DELETE: Final = load_rule("gerber/attribute-delete")
