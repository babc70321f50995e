"""Weights as typed: one grammar, in which no comma is silently taken for the other one."""

from __future__ import annotations

import itertools
import re

import pytest

from torsionbeat.errors import InputError
from torsionbeat.typed.weights import weights_of


def read(text):
    return [(one.size, "mm" if one.in_mm else "g", one.count) for one in weights_of(text)]


def grams(text):
    return [one.size for one in weights_of(text)]


@pytest.mark.parametrize(
    ("text", "sizes"),
    [
        ("0.2,0.5,1,2", [0.2, 0.5, 1, 2]),  # README
        ("0.05,0.1,0.2,0.5,1,2", [0.05, 0.1, 0.2, 0.5, 1, 2]),  # README
        ("0.5 1 2", [0.5, 1, 2]),
        ("0.5, 1, 2", [0.5, 1, 2]),
        ("0.5 ,1", [0.5, 1]),
        ("0.5;1;;2\n5", [0.5, 1, 2, 5]),
        ("1,2.5", [1, 2.5]),
        ("0,5", [0.5]),
        ("0,05  0,1;2", [0.05, 0.1, 2]),
        ("0,5, 2", [0.5, 2]),
        ("", []),
        ("  ", []),
    ],
)
def test_sizes_are_divided_as_the_documents_say(text, sizes):
    assert grams(text) == sizes


def test_a_size_has_its_unit_and_its_number():
    assert read("0.1 x 4  0.3  1 x 2") == [(0.1, "g", 4), (0.3, "g", None), (1, "g", 2)]  # the page's example
    assert read("0.2mm,0.5mm") == [(0.2, "mm", None), (0.5, "mm", None)]  # --help of correct
    assert (
        read("1x4") == read("1 g x 4") == read("1*4") == read("1 \N{MULTIPLICATION SIGN} 4") == [(1, "g", 4)]
    )
    assert read("1g,2g") == [(1, "g", None), (2, "g", None)]
    assert read("1x4,2") == [(1, "g", 4), (2, "g", None)]
    assert read("0,5 mm x 3") == [(0.5, "mm", 3)]


@pytest.mark.parametrize(
    "text", ["1,5", "1,2,5", "0,5,1", "1,5 x 4", "2,1x4", "0.5, 1,5", "1,5g", "1,5mm", "1x4,2,5"]
)
def test_a_comma_that_can_be_read_in_two_ways_is_refused_with_both_ways_to_write_it(text):
    with pytest.raises(
        InputError, match=r"can be read in two ways.*with a point \(.*\) and divide sizes with spaces \(.*\)"
    ):
        weights_of(text)


def test_the_sentence_writes_out_both_readings():
    with pytest.raises(InputError, match=re.escape("'1,5' can be read in two ways") + r".*\(1\.5\).*\(1 5\)"):
        weights_of("2 1,5")


@pytest.mark.parametrize(
    "text", ["heavy", "1,,2", "-1", "1x", "0.5,", "2x0.5", "1.2.3", "1 kg", "1e3", ".5", "x4", "1 gram"]
)
def test_what_is_no_size_is_refused(text):
    with pytest.raises(InputError, match=r"the weight .* cannot be read; write sizes in grams"):
        weights_of(text)


def every_reading(text):
    """Read it in each way that its commas allow, with sizes above zero; independent of the parser's rules.

    One text is written in one notation: with points (commas divide), or with decimal commas (each may divide or mean tenths).
    """
    size = re.compile(r"(\d+(?:\.\d+)?)(?:x(\d+))?")
    commas = [at for at, sign in enumerate(text) if sign == ","]
    found = set()
    for tenths in itertools.product([False, True], repeat=len(commas)):
        if "." in text and any(tenths):
            continue
        signs = list(text)
        for at, is_tenths in zip(commas, tenths, strict=True):
            signs[at] = "." if is_tenths else " "
        read_so = [size.fullmatch(part) for part in "".join(signs).split(" ")]
        if all(one is not None and float(one[1]) > 0 for one in read_so):
            found.add(tuple((float(one[1]), None if one[2] is None else int(one[2])) for one in read_so))
    return found


def test_no_text_is_read_in_one_of_two_possible_ways():
    accepted = 0
    for length in range(1, 7):
        for signs in itertools.product("02,.x", repeat=length):
            text = "".join(signs)
            try:
                one = tuple((each.size, each.count) for each in weights_of(text))
            except InputError:
                continue
            if any(size == 0 for size, _ in one):
                continue  # refused by what it is made into: a weight of 0 g is too light
            accepted += 1
            assert every_reading(text) == {one}, text
    assert accepted > 500  # the comparison is of something
