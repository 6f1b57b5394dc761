"""`beadwright schema`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gcodetools.cli.layout import Paper
from gcodetools.cli.options import Output, common, expect_folder
from gcodetools.errors import UsageError
from gcodetools.jobs.schema import KINDS, schema_file, schema_text


@click.command("schema")
@click.argument("kind", metavar=f"[{'|'.join(KINDS)}]", default="kit", type=click.Choice(list(KINDS)))
@click.option("-o", "--out", type=click.Path(path_type=Path), help="Where to; standard output, if left out.")
@common
def command(kind: str, out: Path | None, **kw: Any) -> None:
    """Print a JSON Schema of a kit, an order or a profile, by which an editor helps to write one.

    It is JSON Schema draft 2020-12: keys, kinds, units, bounds, and what each is. What it can't say stands in its
    $comment; `beadwright check` finds all of it.

    \b
    Example:  beadwright schema kit -o kit.schema.json
    """
    with Output(out=out, **kw) as output:
        named = out if out is not None and str(out) != "-" else None
        if named is not None:
            expect_folder(named)
            if named.is_dir():
                raise UsageError(f"-o {named}: a folder, expected a file name", "Name a file in it.")
        record = schema_file(kind, named)
        if named is None and not output.as_json:
            output.say(schema_text(record["json_schema"]).rstrip("\n"))
        else:
            output.record(record, _show)


def _show(record: dict[str, Any], paper: Paper) -> None:
    paper.title(f"{record['out']}: JSON Schema of a {record['kind']}")
    paper.line(f"Tell your editor's YAML support that {record['pattern']} goes by it.")
