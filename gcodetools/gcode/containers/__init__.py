"""Sliced files in containers: read as plain text, written back with everything else as it was.

Three kinds are told by content, never by name: `gz` (compressed text, RFC 1952), `package` (a zip after the 3MF
standard that holds the plate's G-code and its digest) and `binary` (the open block container: checksums, deflate
or heatshrink, packed text). The promise: `rebuilt` with the very text that was read gives the very bytes that
were read; with another text, every entry or block whose text did not change is copied byte for byte.

    base.sniff(data) -> "gz" | "package" | "binary" | None
    opening.open_container(data, name, plate=None, limits=Limits()) -> Container

    Container.kind, .name
             .text         the G-code as plain text, as our reader gets it
             .plate        the number of the plate that was opened
             .plates       (PlateName(number, name), ...) of all plates
             .settings     key -> value as the file spells them: what the text may lack (never an address or a secret)
             .totals       key -> text of stated times and filament; the keys that `restated` may name
             .said         totals and settings as comment lines `; key = value`, which readers of comments understand
             .restated_in(said) -> what those lines restate, once numbers in them were brought up to date
             .thumbnails   how many pictures
             .inside       what of it holds the text: an entry, so many blocks
             .notes        sentences on what is odd: a block with a broken checksum, a digest that disagrees ...
             .keeps_comments  whether comment lines of a new text come back
             .remarks      our comment lines that the text can't hold (encoding 1), kept in the print metadata
             .rebuilt(new_text, restated=None) -> bytes
             .written(new_text, restated=None) -> Written(data, text, notes, asides)

`restated` maps keys of `.totals` to new texts; each is changed in all its places. `Written.text` is what a reader
gets from the new container, `Written.notes` what the container can't hold, `Written.asides` how it holds the rest.
Packed text loses blanks on G lines, blank lines and comments behind commands; our own comments survive there only on
their own line with `;` in the first column (encoding 2), or not at all (encoding 1), where `remarks` hold them. A line
that packing would damage is kept unpacked (encoding 2) or refused (encoding 1).

What was not sound is never given a good checksum: where a block's checksum is broken or a digest disagrees, the
file opens with a note, and a rewrite of that very part is refused.

Errors: InputError for damage and for what a careful reader does not take (bombs, overlaps, tricks with names);
UsageError for a plate that is not there; Refused for what can't be written in words that stay true.

`compression.py` wants the library heatshrink2 (extra `containers`); the rest wants the standard library and numpy.
"""
