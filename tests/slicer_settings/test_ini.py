"""INI-like files, against configparser of the standard library."""

from __future__ import annotations

import configparser

from hypothesis import given
from hypothesis import strategies as st

from gcodetools.slicer_settings.ini import read_ini

WORD = st.text("abzAZ09_äß", min_size=1, max_size=6)
KEY = st.tuples(WORD, st.sampled_from(["", " ", ".", "()/-"]), WORD).map("".join)
VALUE = st.text("abz09_äß.,;#%=[]{}\"' ", max_size=12).map(str.strip)
BLANKS = st.sampled_from(["", " ", "  ", "\t"])
STATED = st.tuples(KEY, BLANKS, st.just("="), BLANKS, VALUE, BLANKS).map("".join)
SECTION = st.text("azäß: 09", max_size=6).map("[{}x]".format)
COMMENT = st.sampled_from(["; a comment = 3", "# one", "  ; indented = 1", "", "   "])
MORE = st.sampled_from(["    goes on", "\tG28 ; home = 3"])
LINES = st.lists(st.one_of(STATED, STATED, SECTION, COMMENT, MORE), max_size=14)


@given(LINES, st.sampled_from(["\n", "\r\n", "\r"]), st.booleans())
def test_statements_are_those_of_configparser(lines: list[str], newline: str, ends: bool) -> None:
    text = newline.join(["[first x]", *lines]) + (newline if ends else "")
    parser = configparser.ConfigParser(
        strict=False, interpolation=None, delimiters=("=",), default_section="\0", empty_lines_in_values=True
    )
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    data = text.encode()
    try:
        parser.read_string(text.replace(newline, "\n"))
    except configparser.ParsingError:
        # What goes on where no key stands; here that is an odd line.
        assert read_ini(data)[1]
        return
    found, odd = read_ini(data)
    assert odd == []
    last = {(decoded(s.section), decoded(s.key)): s for s in found}
    wanted = {(section, key): value for section in parser.sections() for key, value in parser.items(section)}
    assert set(last) == set(wanted)
    for place, stated in last.items():
        value = wanted[place].split("\n")[0]
        assert decoded(stated.text) == value.strip(" \t")
        assert stated.whole == (wanted[place].strip("\n") == value)
        (item,) = stated.items
        raw = decoded(stated.text).encode()
        assert data[item.start : item.start + len(raw)] == raw
        assert data.decode().replace(newline, "\n").encode().count(b"\n", 0, len(data)) >= stated.line - 1


def decoded(text: str) -> str:
    return text.encode("latin-1").decode()


def test_lines_that_are_nothing_are_counted_and_keys_twice_stated_twice() -> None:
    found, odd = read_ini(b"\xef\xbb\xbfa = 1\nwhat\n[s]\n= 3\na=2\n")
    assert [(s.section, s.key, s.text, s.line) for s in found] == [("", "a", "1", 1), ("s", "a", "2", 5)]
    assert odd == [2, 4]


def test_an_a_with_grave_at_the_end_is_kept_whole() -> None:
    # In Latin-1 its second byte is a no-break space, which str.strip takes for a blank.
    (one,), _ = read_ini("notes = voilà\n".encode())
    assert decoded(one.text) == "voilà"
