"""What finding the wiring can meet."""

from __future__ import annotations

from fabkit.base.findings import Rule, Severity, Source

NO_KEYS = Rule.of(
    "wiring/no-keys",
    "No keys were found",
    "Without keys there is nothing to number.",
    Severity.ERROR,
    "See that the drill files are in the package: keys are told by the holes of their switches, "
    "else by parts named SW1, SW2 ...",
)
PINS_UNKNOWN = Rule.of(
    "wiring/pins-unknown",
    "Nothing tells which pad is which pin",
    "Keys can be numbered, but their pins cannot be named.",
    Severity.ERROR,
    "Export the copper layers with component, pin and net attributes, or a netlist (IPC-D-356); or "
    "write a table of the holes a controller may sit in with --new-pins FILE.csv, fill in the "
    "names, and give it with --pins FILE.csv.",
)
HALF_UNKNOWN = Rule.of(
    "wiring/half-unknown",
    "Half of which no key reaches a pin",
    "Nothing that a firmware needs is known of this half.",
    Severity.ERROR,
    "Name the controller with --controller, or see that the pin table names the holes it sits in: "
    "--new-pins FILE.csv writes one to fill in.",
)
KEY_WITHOUT_PIN = Rule.of(
    "wiring/key-without-pin",
    "Key that reaches no controller pin",
    "The key would do nothing.",
    Severity.ERROR,
    "Route its net to a free pin, or name the controller with --controller.",
)
PIN_TWO_KEYS = Rule.of(
    "wiring/pin-two-keys",
    "Two keys on one pin",
    "Wired direct, the controller cannot tell the two keys apart.",
    Severity.ERROR,
    "Give one of them a pin of its own, unless they are alternatives of which one is fitted.",
)
SAME_CROSSING = Rule.of(
    "wiring/same-row-column",
    "Two keys at one row and column",
    "The controller cannot tell the two keys apart.",
    Severity.ERROR,
    "Move one of them to a free crossing, unless they are alternatives of which one is fitted.",
)
PIN_TWICE = Rule.of(
    "wiring/pin-twice",
    "A controller pin is used for two nets",
    "Two pads carry the same pin name but different nets: one of them will not work, or both nets "
    "are joined inside the controller.",
    Severity.ERROR,
    "Compare the pin names with the controller's own drawing.",
)
GROUND_PIN = Rule.of(
    "wiring/ground-pin",
    "Ground and another net have changed places at the controller",
    "A ground pin on another net shorts it inside the controller; keys on it never open.",
    Severity.ERROR,
    "Compare the controller's ground pins with its own drawing, for each half.",
)
BATTERY_PIN = Rule.of(
    "wiring/battery-pin",
    "Battery or supply on the wrong pad of the controller",
    "Cell voltage on an ordinary pin destroys the controller; a shorted lithium cell can burn.",
    Severity.ERROR,
    "Compare the supply pins with the controller's own drawing, for each half, and measure the "
    "polarity with a meter before any cell is connected. The cell maker's sheet and local codes "
    "come first, and licensed practice where they ask for it.",
)
KEY_ON_POWER = Rule.of(
    "wiring/key-on-power-pin",
    "Key on a supply, ground or reset pin",
    "A key that is pressed would short a supply or restart the controller.",
    Severity.ERROR,
    "Give the key an ordinary pin.",
)
MIXED_DIODES = Rule.of(
    "wiring/diode-direction",
    "Diodes of a matrix point both ways",
    "A matrix is scanned one way: keys whose diodes point the other way stay dead.",
    Severity.ERROR,
    "Turn the diodes that are in the minority, or their footprints.",
)
NO_DIODE = Rule.of(
    "wiring/no-diode",
    "Key of a matrix without a diode",
    "When three keys at the corners of a rectangle are pressed, the fourth seems pressed too.",
    Severity.WARNING,
    "Put a diode in series with every key.",
)
DIODE_ASSUMED = Rule.of(
    "wiring/cathode-assumed",
    "Pin 1 of the diodes was taken for the cathode",
    "The pads do not say which is anode and which cathode; the direction of scanning hangs on it.",
    Severity.NOTE,
    "Compare the mark on the legend with the diode's own drawing.",
    Source("IPC-7351 (from memory) and common practice", "pin 1 of a diode is its cathode"),
)
DIODES_INFERRED = Rule.of(
    "wiring/diodes-inferred",
    "Diodes were told by copper alone",
    "Two pads of one kind, as far apart at most keys, were taken for a diode between a key and its "
    "line; no file says so.",
    Severity.NOTE,
    "Look at one of them on the board, or name the diodes' pads A and K in the pin table.",
)
HALVES_DIFFER = Rule.of(
    "wiring/halves-differ",
    "A key place has another pin on the other half",
    "The same program would read different keys on the two halves.",
    Severity.NOTE,
    "Use the table of each half, or let the pins agree.",
)
COPPER_OPEN = Rule.of(
    "wiring/copper-open",
    "Pads of one net that copper does not join",
    "The names say a key reaches its pin, the copper says it does not.",
    Severity.ERROR,
    "See net/open in the verdict, and join the copper.",
)
ODD_KEY = Rule.of(
    "wiring/contacts-unclear",
    "A key's two contacts are not clear",
    "A switch joins two nets; this place shows another number.",
    Severity.WARNING,
    "See the pads of that key, or name its part with attributes.",
)
NO_SCHEME = Rule.of(
    "wiring/no-scheme",
    "Keys are wired neither direct nor as rows and columns",
    "Rows and columns cannot be told; the table lists the pins of each key as they are.",
    Severity.NOTE,
    "Nothing, when a scheme of another kind is meant.",
)
