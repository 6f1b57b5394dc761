"""The tables against what was counted in real files, and what a wrong table says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from gcodetools.documents import profiles
from gcodetools.errors import InputError
from gcodetools.marks.conventions import Convention, conventions, heads, load_convention
from gcodetools.marks.features import FEATURES, unlisted


def counted_words(conventions_page: Path) -> list[tuple[str, str]]:
    """(letter, word) by the page's table of all distinct feature values."""
    text = conventions_page.read_text("utf-8")
    table = text.split("## All distinct feature values, by letter", 1)[1].split("##", 1)[0]
    rows = [[cell.strip() for cell in line.split("|")[1:-1]] for line in table.splitlines() if "|" in line]
    letters, body = rows[0][1:], rows[2:]
    return [
        (letter, row[0].strip("`"))
        for row in body
        for letter, count in zip(letters, row[1:], strict=True)
        if count
    ]


def test_every_feature_word_counted_in_real_files_is_in_its_table(samples: Path) -> None:
    words = counted_words(samples.parent / "CONVENTIONS.md")
    assert len(words) > 60
    assert [pair for pair in words if load_convention(pair[0]).own_word(pair[1]) is None] == []


def test_every_letter_has_a_table() -> None:
    letters = [table.letter for table in conventions()]
    assert letters == sorted({"A", "B", "B2", "C", "D", "E0", "E1", "F", "G", "H", "I", "J", "L"})


def test_what_tells_a_convention_stands_before_all_else_in_its_table() -> None:
    """A head that misses `ignore` or `fallback` would be read without a word."""
    assert len(heads()) == len(conventions())
    for head, table in zip(heads(), conventions(), strict=True):
        names = type(head).__struct_fields__
        assert [getattr(head, name) for name in names] == [getattr(table, name) for name in names]
    assert any(head.fallback for head in heads()) and sum(bool(head.ignore) for head in heads()) > 3


@pytest.mark.parametrize("table", conventions(), ids=lambda table: table.letter)
def test_a_table_agrees_with_itself(table: Convention) -> None:
    assert table.total_source
    assert (table.total_means == "unknown") == (table.letter in "HJL")
    if table.feature is not None:
        assert "(?P<word>" in table.feature.mark
        assert set(table.feature.words.values()) <= set(FEATURES[1:])
        own = {table.own_word(theirs) for theirs in table.speak.words.values()}
        assert None not in own or table.letter == "H"  # H speaks whole marks, not words
    for pair in table.objects:
        assert "(?P<name>" in pair.begin
    for pattern in table.settings:
        assert {"key", "value"} <= re.compile(pattern).groupindex.keys()


def test_a_wrong_table_is_told_with_file_line_and_key(tmp_path: Path) -> None:
    path = tmp_path / "X.yaml"
    path.write_text("beadwright: 1\nconvention: X\nabout: x\nlayer: '('\n")
    with pytest.raises(InputError, match=r"X\.yaml:4: layer: .*a regular expression"):
        profiles.load("conventions", Convention, str(path))
    path.write_text("beadwright: 1\nconvention: X\nabout: x\nfeature:\n  mark: a\n  words: {B: perimetre}\n")
    with pytest.raises(
        InputError, match=r"X\.yaml:\d+: feature\.words: found perimetre, expected one of none"
    ):
        profiles.load("conventions", Convention, str(path))


@pytest.mark.parametrize(
    ("word", "own"),
    [("Support of a kind", "support"), ("Brim ears", "skirt"), ("Purge tower", "tower"), ("Lace", "other")],
)
def test_an_unlisted_word_is_other_unless_it_names_what_is_no_part(word: str, own: str) -> None:
    assert unlisted(word) == own
