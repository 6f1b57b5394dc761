"""Cells, numbers and their spelling; oracles are fractions and decimal of the standard library."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.slicer_settings.document import Item, Stated, hidden, shown, shown_value
from gcodetools.slicer_settings.values import Cell, cells_of, flag_of, number_in, respelled

NUMBER = st.from_regex(r"[-+]?([0-9]{1,6}(\.[0-9]{0,6})?|\.[0-9]{1,6})", fullmatch=True)


@given(NUMBER, st.decimals(-99999, 99999, places=4))
def test_a_number_keeps_value_and_spelling(old: str, new: Decimal) -> None:
    text = respelled(old, Fraction(new))
    assert Fraction(text) == Fraction(new)
    own = len(old.partition(".")[2])
    assert len(text.partition(".")[2]) in (own, max(own, len(f"{new.normalize():f}".partition(".")[2])))
    assert text.startswith("+") == (old.startswith("+") and new > 0)


@given(NUMBER)
def test_a_number_that_stays_is_spelled_alike(old: str) -> None:
    bare = old.lstrip("+-")
    if Fraction(old) != 0 and (bare.startswith((".", "0.")) or not bare.startswith("0")):
        assert respelled(old, Fraction(old)) == old


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("230", "238", "238"), ("40.0", "32", "32.0"), (".50", ".25", ".25"), ("0.98", "1.0192", "1.0192"),
        ("5.", "6", "6."), ("1e3", "800", "800"), ("-.5", "-.25", "-.25"), ("-0.05", "0", "0.00"),
        ("45", "33.75", "33.75"),
        ("0.98", "0.29", "0.29"), ("1", "1.15", "1.15"),
    ],
)  # fmt: skip
def test_spelling_by_example(old: str, new: str, text: str) -> None:
    assert respelled(old, Fraction(new)) == text


@pytest.mark.parametrize(
    ("text", "cells"),
    [
        ("220,220,230", ["220", "220", "230"]), ('"a;b";"c"', ['"a;b"', '"c"']), ("1.75|1.75", ["1.75", "1.75"]),
        ("15%", ["15%"]), ("PLA;PETG", ["PLA", "PETG"]), ("=max(1, 2)", ["=max(1, 2)"]),
        ("0.2 ; fine", ["0.2 ; fine"]), ("", [""]),
    ],
)  # fmt: skip
def test_cells(text: str, cells: list[str]) -> None:
    found = cells_of(Stated("k", "", 1, (Item(text, 10),)))
    assert [cell.text for cell in found] == cells
    assert [text[c.start - 10 : c.start - 10 + len(c.text)] for c in found] == cells


@pytest.mark.parametrize(
    ("text", "value", "percent"),
    [
        ("15%", "15", True), ('"230"', "230", False), (" .45 ", ".45", False), ("0.45mm", "0.45", False),
        ("1e2", "1e2", False),
        ("0.2 ; fine", "0.2", False), ("-5", "-5", False), ("=speed / 2", None, False), ("nil", None, False),
        ("{layer}", None, False), ('"230', None, False), ("1e400", None, False),
        ("9" * 5000, None, False), ("٣", None, False),
    ],
)  # fmt: skip
def test_numbers(text: str, value: str | None, percent: bool) -> None:
    found = number_in(Cell(text, 7))
    assert (found.text if found else None) == value
    if found is not None:
        assert text[found.start - 7 : found.end - 7] == value and found.percent == percent


def test_flags() -> None:
    assert [flag_of(Cell(text, 0)) for text in ("1", "True", '"0"', "off", "maybe")] == [
        True,
        True,
        False,
        False,
        None,
    ]


PRIVATE = [
    "print_host", "printhost_apikey", "printhost_password", "printhost_user", "printhost_cafile", "serial_port",
    "api_key", "email", "access_token", "device_ip",
]  # fmt: skip


@pytest.mark.parametrize("key", PRIVATE)
def test_private_values_are_hidden(key: str) -> None:
    assert shown_value(key, "geheim") == "(hidden)" and shown_value(key, "") == ""


@pytest.mark.parametrize("text", ["http://u:p@x/", "192.168.1.13", "me@example.org"])
def test_addresses_are_hidden_whatever_the_key(text: str) -> None:
    assert hidden("notes", text) and shown_value("notes", text) == "(hidden)"


@pytest.mark.parametrize(
    "key", ["temperature", "use_relative_e_distances", "infill_pattern", "ironing_type", "fuzzy_skin"]
)
def test_other_values_are_not(key: str) -> None:
    assert shown_value(key, "1.75,1.75") == "1.75,1.75"


def test_what_is_shown_steers_no_terminal_and_is_short() -> None:
    assert shown("a\x1b[31m\tb") == "a?[31m?b"
    assert len(shown("x" * 500)) == 60
    assert shown("Größe".encode().decode("latin-1")) == "Größe"
