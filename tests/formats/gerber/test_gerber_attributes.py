"""Attributes: the examples of the layer format specification 2021.02, chapter 5."""

from __future__ import annotations

from gerber_layers import ids, path, read_layer

from fabkit.formats.gerber.model import Attributes, GerberFile
from fabkit.formats.gerber.standard import unescape


def object_attributes(file: GerberFile) -> list[Attributes]:
    """Attributes of each object, in order."""
    return [file.attribute_sets[k] for k in file.objects.attributes.tolist()]


def test_first_dictionary_example() -> None:
    """Section 5.8, first example: an attribute belongs to apertures defined while it is set."""
    file = read_layer(
        "%ADD13R,200X200*%%TAIAmATA*%D13*X0Y0D03*%ADD11R,200X200*%%TDIAmATA*%"
        "%ADD12C,5*%D11*X100000000Y0D03*D12*X150000000Y50000000D02*X100000000Y150000000D01*"
    )
    attached = {a.code: a.attributes for a in file.apertures}
    assert attached == {13: {}, 11: {"IAmATA": ()}, 12: {}}
    assert object_attributes(file) == [{}, {}, {}]


def test_second_dictionary_example() -> None:
    """Section 5.8, second example: apertures and regions take the dictionary of their moment."""
    square = "G36*" + path([(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)]) + "G37*"
    file = read_layer(
        "%TA.AperFunction,SMDPad,CuDef*%%ADD11C,0.1*%%TA.AperFunction,Conductor*%%ADD20C,0.2*%"
        "%TACustAttr,val*%%ADD21C,0.3*%%TD.AperFunction*%%ADD22C,0.4*%%TDCustAttr*%"
        "%ADD23C,0.5*%D11*X1000Y1000D03*D20*X2000Y1500D01*"
        f"%TA.AperFunction,Conductor*%{square}%TD*%{square}"
    )
    custom = {"CustAttr": ("val",)}
    conductor = {".AperFunction": ("Conductor",)}
    assert [a.attributes for a in file.apertures] == [
        {".AperFunction": ("SMDPad", "CuDef")},
        conductor,
        {**conductor, **custom},
        custom,
        {},
    ]
    assert object_attributes(file) == [{}, {}, conductor, {}]


def test_earlier_apertures_keep_their_function() -> None:
    """Section 5.3: a new value holds for later apertures only."""
    file = read_layer(
        "%TA.AperFunction,ComponentPad*%%ADD10C,1*%%TA.AperFunction,ViaPad*%%ADD11C,1*%"
    )
    assert [a.function for a in file.apertures] == [("ComponentPad",), ("ViaPad",)]


def test_net_stays_until_it_is_replaced() -> None:
    """Section 5.6.13: three draws of one net, then another, then none."""
    file = read_layer(
        "%ADD21C,1*%D21*X5600000Y1200000D02*%TO.N,Clk3*%X1Y0D01*X2Y0D01*X3Y0D01*"
        "%TO.N,GND*%X4Y0D01*%TD.N*%X5Y0D01*"
    )
    nets = [a.get(".N") for a in object_attributes(file)]
    assert nets == [("Clk3",)] * 3 + [("GND",), None]
    assert file.has_nets


def test_pins_one_per_flash() -> None:
    """Section 5.6.14: each pad carries its part, pin and pin function."""
    file = read_layer(
        "%ADD10C,1*%D10*%TO.P,R5,1*%X0Y0D03*%TO.P,R5,2*%X1Y0D03*"
        "%TO.P,IC12,1,GND*%X2Y0D03*%TO.P,IC12,2,TRIG*%X3Y0D03*"
    )
    assert [a[".P"] for a in object_attributes(file)] == [
        ("R5", "1"),
        ("R5", "2"),
        ("IC12", "1", "GND"),
        ("IC12", "2", "TRIG"),
    ]


def test_attributes_in_comments() -> None:
    """Attributes behind ``G04 #@!`` mean the same as between % signs (common practice)."""
    plain = read_layer(
        "%TF.FilePolarity,Positive*%%TA.AperFunction,Conductor*%%ADD10C,1*%%TD.AperFunction*%"
        "D10*%TO.N,A*%X1Y0D01*%TD*%X2Y0D01*"
    )
    hidden = read_layer(
        "G04 #@! TF.FilePolarity,Positive*G04 #@! TA.AperFunction,Conductor*%ADD10C,1*%"
        "G04 #@! TD.AperFunction*D10*G04 #@! TO.N,A*X1Y0D01*G04 #@! TD*X2Y0D01*"
    )
    assert plain.attributes == hidden.attributes == {".FilePolarity": ("Positive",)}
    assert plain.apertures[0].attributes == hidden.apertures[0].attributes
    assert object_attributes(plain) == object_attributes(hidden)


def test_object_attributes_of_a_block_and_its_flash() -> None:
    """An object in a block keeps its own values; the flash fills in what it does not say."""
    file = read_layer(
        "%ADD10C,1*%%ABD20*%D10*%TO.N,OWN*%X0Y0D03*%TD*%X1Y0D03*%AB*%"
        "D20*%TO.N,FLASH*%%TO.P,U1,4*%X0Y0D03*"
    )
    assert object_attributes(file) == [
        {".N": ("OWN",), ".P": ("U1", "4")},
        {".N": ("FLASH",), ".P": ("U1", "4")},
    ]


def test_escapes() -> None:
    r"""Section 3.4.3: ``\u`` with four digits, ``\U`` with eight; anything else stays as it is."""
    assert unescape("\\u00A9") == ("©", True)
    assert unescape("a\\u002Cb\\U0001F600") == ("a,b\U0001f600", True)
    assert unescape("C:\\temp") == ("C:\\temp", False)
    assert unescape("\\uD800") == ("\\uD800", False)
    file = read_layer("%TF.ProjectId,a\\u002Cb\\u002Ac,g,r*%")
    assert file.attributes[".ProjectId"] == ("a,b*c", "g", "r")


def test_first_value_of_a_repeated_file_attribute_counts() -> None:
    """Section 5.2: file attributes are never redefined."""
    file = read_layer("%TF.Part,Single*%%TF.Part,Array*%")
    assert file.attributes[".Part"] == ("Single",)
    assert "gerber/attribute-repeated" in ids(file)


def test_name_of_two_kinds() -> None:
    """Section 5.1: one name cannot serve apertures and objects."""
    assert "gerber/attribute-kind" in ids(read_layer("%TAmine,1*%%TOmine,1*%"))
