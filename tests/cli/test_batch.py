"""`batch` as it is run: real processes, what it prints and writes, how it ends when it is stopped."""

from __future__ import annotations

import csv
import io
import json
import os
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest
from shapely import box

from gcodetools.cli import batch as command
from gcodetools.demo.maker import Placement, make
from gcodetools.demo.shapes import Bands, Part
from gcodetools.gcode.containers.opening import open_container
from gcodetools.jobs.batch_plate import commit, treat

KIT = """\
beadwright: 1
kit: tabs
material: petg
parts:
  tab:
    found_by: {label: "tab*"}
    regions:
      all: {within: all, treat: {speed: {scale: 50%}}}
"""
TAB = Part("tab", 1.0, Bands(((1.0, box(0, 0, 10, 8)),)))
ARGS = ("--kit", "tabs.kit.yaml", "-o", "out", "--no-estimate")
THREE = (
    "import os,signal,sys; sys.path[:]=sys.argv[1:]; import gcodetools.jobs.batch_worker as w; real=w.treat\n"
    "def treat(task):\n"
    "    if 'slow' in task['file']:\n"
    "        import time; open('slow.began','w').close(); time.sleep(60)\n"
    "    if 'deadly' in task['file']: os.kill(os.getpid(), signal.SIGKILL)\n"
    "    return real(task)\n"
    "w.treat=treat; w.main()"
)


@pytest.fixture(scope="module")
def tab() -> bytes:
    return make("B", parts=(Placement(TAB, 60, 60),)).data


@pytest.fixture
def farm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, tab: bytes) -> Path:
    """A folder `in` with two plates, one of them in a folder of its own; the current folder has the kit."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BEADWRIGHT_KIT", raising=False)
    monkeypatch.setenv("COLUMNS", "100")
    (tmp_path / "in" / "sub").mkdir(parents=True)
    (tmp_path / "in" / "a.gcode").write_bytes(tab)
    (tmp_path / "in" / "sub" / "b.g").write_bytes(tab + b"; b\n")
    (tmp_path / "tabs.kit.yaml").write_text(KIT)
    return tmp_path


@pytest.fixture
def in_process(monkeypatch):
    """Plates are treated here; what processes do is tested above."""

    def work(tasks, jobs, budget):
        for number, task in enumerate(tasks):
            yield number, commit(treat(task), task["targets"])

    monkeypatch.setattr("gcodetools.jobs.batch.run_local", work)


def tree(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def litter(folder: Path) -> list[str]:
    return [name for name in tree(folder) if Path(name).name.startswith(".") or name.endswith(".beadwright")]


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_one_bad_file_stops_no_other(farm, run, samples, monkeypatch):
    """A folder as folders are: plates, one cut off, one of another kind, one that kills its process, a treated one."""
    monkeypatch.setattr("gcodetools.jobs.batch_local._START", THREE)
    assert run("apply", "in/a.gcode", "--kit", "tabs.kit.yaml", "-o", "in/old.gcode", "-q").status == 0
    (farm / "in" / "cut.gcode").write_bytes(b"G28\n")
    (farm / "in" / "deadly.gcode").write_bytes((farm / "in" / "a.gcode").read_bytes())
    (farm / "in" / "notes.txt").write_text("x")
    (farm / "in" / "cube.gcode").write_bytes((samples / "B-cube.gcode").read_bytes())
    ran = run("batch", "in", "gone.gcode", *ARGS, "--json", "--jobs", "1")
    assert ran.status == 70 and ran.out.count("\n") == 1
    record = ran.json
    assert record["schema"] == "beadwright.batch/1" and record["status"] == 70
    assert {row["file"]: (row["state"], row["status"]) for row in record["plates"]} == {
        "in/a.gcode": ("done", 0),
        "in/cube.gcode": ("failed", 4),
        "in/cut.gcode": ("failed", 3),
        "in/deadly.gcode": ("failed", 70),
        "in/old.gcode": ("skipped", 0),
        "in/sub/b.g": ("done", 0),
        "gone.gcode": ("failed", 3),
    }
    assert record["count"] == {
        "plates": 7,
        "done": 2,
        "as before": 0,
        "skipped": 1,
        "failed": 4,
        "other_files": 1,
    }
    assert set(tree(farm / "out")) == {
        "a-treated.gcode", "a-treated.gcode.json", "sub/b-treated.g", "sub/b-treated.g.json",
        "summary.txt", "summary.csv", "summary.json",
    }  # fmt: skip
    for line in (
        "error: gone.gcode: no such file",
        "error: in/cut.gcode: no bead in it, expected a sliced print",
    ):
        assert line in ran.err.splitlines()
    # What `apply` writes of the same file is the outside of this.
    assert run("apply", "in/sub/b.g", "--kit", "tabs.kit.yaml", "-o", "b.g", "-q").status == 0
    assert (farm / "out" / "sub" / "b-treated.g").read_bytes() == (farm / "b.g").read_bytes()
    table = list(csv.DictReader(io.StringIO((farm / "out" / "summary.csv").read_text(), newline="")))
    assert [row["state"] for row in table] == [row["state"] for row in record["plates"]]
    assert float(table[0]["time_s_best"]) == record["plates"][0]["time_s"]["best"] > 0
    assert {
        **json.loads((farm / "out" / "summary.json").read_bytes()),
        "summary": record["summary"],
    } == record


@pytest.mark.long
def test_however_many_at_once_the_results_are_the_same_to_the_byte(farm, run, request):
    """Two processes, the larger plate first, against one plate after the other here; with pages and the table."""
    args = ("batch", "in", "--kit", "tabs.kit.yaml", "--report", "--no-estimate")
    results = []
    for folder in ("out-many", "out-one"):
        ran = run(*args, "-o", folder, "--jobs", "2")
        assert ran.status == 0, ran.err
        files = tree(farm / folder)
        results.append({name: data.replace(folder.encode(), b"out") for name, data in files.items()})
        request.getfixturevalue("in_process")
    assert results[0] == results[1] and "sub/b-treated.g.html" in results[0]
    page = results[0]["a-treated.gcode.html"]
    assert page.startswith(b"<!doctype html>") and b"a-treated.gcode" in page


@pytest.mark.usefixtures("few_cells", "in_process")
def test_the_table_tells_margins_and_totals(keys, run):
    ran = run("batch", "plate.gcode", "--kit", "hoophouse.kit.yaml", "-o", "out", "--jobs", 1)
    assert ran.status == 0, ran.err
    row = json.loads((keys / "out" / "summary.json").read_bytes())["plates"][0]
    one = run("apply", "plate.gcode", "--kit", "hoophouse.kit.yaml", "-o", "o.gcode", "--json").json
    shank = one["strength"]["after"][0]
    assert row["margin_after"] == {"at": "wedge-key-snug#1/shank", **shank["load"]["margin"]}
    assert row["time_s"]["best"] == pytest.approx(one["costs"]["after"]["whole"]["time_s"], abs=1e-5)
    assert row["parts"] == {"wedge-key-snug": 2} and row["regions_treated"] == 2
    for word in ("margin before", "wedge-key-snug", "time", "filament", "money", "Caution:"):
        assert word in ran.out
    assert all(len(line) <= 110 for line in ran.out.splitlines())
    assert (keys / "out" / "summary.txt").read_text().splitlines()[0] == ran.out.splitlines()[0]


def test_a_warning_fails_its_plate_where_strict(farm, run, in_process):
    plain = run("batch", "in", *ARGS)
    assert plain.status == 0 and plain.err.startswith("warning: ") and "(2 plates)" in plain.err
    ran = run("batch", "in", *ARGS, "--strict")
    assert ran.status == 6 and ran.first.startswith("error: in/a.gcode: ") and "(--strict)" in ran.first
    assert "a-treated.gcode in out is left from an earlier run, as in/a.gcode failed" in ran.err
    clean = run("batch", "in", *ARGS[:2], "-o", "new", "--strict", "--json")
    assert clean.status == 6 and {row["status"] for row in clean.json["plates"]} == {6}
    assert not list((farm / "new").rglob("*-treated*"))


def test_plates_without_a_part_are_status_4_or_copied(farm, run, in_process):
    (farm / "tabs.kit.yaml").write_text(KIT.replace('"tab*"', '"other*"'))
    ran = run("batch", "in", *ARGS)
    assert ran.status == 4 and "no part of kit tabs is on the plate" in ran.first
    assert run("batch", "in", *ARGS, "--allow-none", "-q").status == 0
    assert (farm / "out" / "a-treated.gcode").read_bytes() == (farm / "in" / "a.gcode").read_bytes()


def test_treated_plates_are_treated_again_only_if_asked(farm, run, in_process):
    assert run("batch", "in", *ARGS).status == 0
    for record in (farm / "out").rglob("*.json"):
        record.unlink()
    ran = run("batch", "out", "--kit", "tabs.kit.yaml", "-o", "twice", "--no-estimate", "--json")
    assert ran.status == 0 and ran.json["count"]["skipped"] == 2 and "total" not in ran.json
    assert (
        run("batch", "out", "--kit", "tabs.kit.yaml", "-o", "twice", "--no-estimate", "--again").status == 0
    )
    assert (farm / "twice" / "a-treated-treated.gcode").is_file()


def test_a_package_of_binary_gcode_stays_one(farm, run, in_process, samples):
    (farm / "in" / "cube.bgcode").write_bytes((samples / "K-cube.bgcode").read_bytes())
    (farm / "tabs.kit.yaml").write_text(KIT.replace('"tab*"', '"*"'))
    ran = run("batch", "in/cube.bgcode", *ARGS, "--json")
    assert ran.status == 0, ran.err
    before = open_container((farm / "in" / "cube.bgcode").read_bytes(), "b")
    after = open_container((farm / "out" / "cube-treated.bgcode").read_bytes(), "a")
    assert after.kind == before.kind and after.text != before.text


def test_a_package_of_several_plates_says_what_to_do(farm, run, in_process, tab):
    with zipfile.ZipFile(farm / "in" / "two.3mf", "w") as package:
        for number in (1, 2):
            package.writestr(f"Metadata/plate_{number}.gcode", tab)
    ran = run("batch", "in/two.3mf", *ARGS)
    assert ran.status == 2 and "two.3mf: found 2 plates" in ran.err
    assert "There are 1, 2. --plate N takes that one" in ran.err and "beadwright post" in ran.err
    ran = run("batch", "in/two.3mf", *ARGS, "--plate", "2")
    assert ran.status == 0, ran.err
    with zipfile.ZipFile(farm / "out" / "two-treated.3mf") as package:
        plates = [package.read(f"Metadata/plate_{number}.gcode") for number in (1, 2)]
    assert plates[0] == tab and b"; beadwright" in plates[1]
    # What is done is another plate's, so it is done anew.
    ran = run("batch", "in/two.3mf", *ARGS, "--plate", "1", "--json")
    assert ran.json["count"]["done"] == 1
    with zipfile.ZipFile(farm / "out" / "two-treated.3mf") as package:
        assert package.read("Metadata/plate_2.gcode") == tab


@pytest.mark.parametrize(
    ("args", "status", "first"),
    [
        (("in", "--kit", "no.yaml", "-o", "out"), 3, "error: no.yaml: no such file"),
        (("in", "--kit", "tabs.kit.yaml", "-o", "-"), 2, "error: -o -: many files go into a folder"),
        (
            ("--kit", "tabs.kit.yaml", "-o", "out"),
            2,
            "error: no file or folder named, expected some to treat",
        ),
        (
            ("in", "--kit", "tabs.kit.yaml", "-o", "tabs.kit.yaml"),
            7,
            "error: -o tabs.kit.yaml: can't make the folder",
        ),
        (("in", *ARGS, "--jobs", "0"), 2, "error: invalid value for '--jobs'"),
        (("in", *ARGS, "--jobs", "2", "--cluster", "tcp://x:1"), 2, "error: --cluster and --jobs"),
        (("in", *ARGS, "--only", "#"), 2, "error: --only #"),
    ],
)
def test_what_makes_no_sense_is_said_before_any_work(farm, run, args, status, first):
    ran = run("batch", *args)
    assert ran.status == status and ran.first.startswith(first)
    assert not (farm / "out").exists()


def test_progress_is_silent_with_json(farm, run, in_process, monkeypatch):
    said: list[str] = []
    monkeypatch.setattr(command.Output, "progress", lambda self, stage: said.append(stage))
    run("batch", "in", *ARGS, "--json")
    assert said == []
    run("batch", "in", *ARGS, "--fresh")
    assert said[-1].startswith("2 of 2, in/sub/b.g, ")


def begun(*args: str, start: str | None = None) -> subprocess.Popen[bytes]:
    """A batch in a process of its own, whose workers are slow where a file's name says so."""
    code = "import sys\nfrom gcodetools.jobs import batch_local\n"
    code += f"batch_local._START = {start!r}\n" if start else ""
    code += "from gcodetools.cli.main import run\nrun(sys.argv[1:])"
    return subprocess.Popen(
        [sys.executable, "-c", code, *args], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )


def waited(condition, seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.02)


@pytest.mark.skipif(os.name == "nt", reason="signals")
@pytest.mark.parametrize("number", [signal.SIGTERM, pytest.param(signal.SIGINT, marks=pytest.mark.long)])
@pytest.mark.long
def test_a_stopped_batch_keeps_what_is_done_and_goes_on(farm, run, in_process, number):
    (farm / "in" / "sub" / "b.g").rename(farm / "in" / "slow.gcode")
    process = begun("batch", "in", *ARGS, "--jobs", "2", start=THREE)
    waited(lambda: (farm / "slow.began").exists() and (farm / "out" / "a-treated.gcode.json").exists())
    process.send_signal(number)
    _, said = process.communicate(timeout=12)  # less than a worker is given to write its results
    assert process.returncode == 130
    assert said.splitlines()[-1] == b"interrupted; nothing was left half-written"
    assert (
        set(tree(farm / "out")) == {"a-treated.gcode", "a-treated.gcode.json"} and litter(farm / "out") == []
    )
    ran = run("batch", "in", *ARGS, "--json")
    assert {row["file"]: row["state"] for row in ran.json["plates"]} == {
        "in/a.gcode": "as before", "in/slow.gcode": "done",
    }  # fmt: skip


@pytest.mark.long
@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_workers_end_behind_a_killed_batch(farm):
    (farm / "in" / "sub" / "b.g").rename(farm / "in" / "slow.gcode")
    process = begun("batch", "in", *ARGS, "--jobs", "1", start=THREE.replace("sleep(60)", "sleep(2)"))
    waited(lambda: (farm / "slow.began").exists())
    process.kill()
    process.communicate()
    # The plate at work is finished, as its results are whole; no other is begun.
    waited(lambda: (farm / "out" / "slow-treated.gcode.json").exists())
    time.sleep(2)
    assert set(tree(farm / "out")) == {"slow-treated.gcode", "slow-treated.gcode.json"}


def test_the_command_shows_no_more_than_it_should(farm, run, in_process, monkeypatch):
    """Of many failures and warnings the first few are printed; all of them are in the table."""
    monkeypatch.setattr(command, "_SHOWN", 2)
    for k in range(4):
        (farm / "in" / f"cut{k}.gcode").write_bytes(b"G28\n")
    ran = run("batch", "in", *ARGS)
    assert ran.status == 3
    errors = [line for line in ran.err.splitlines() if line.startswith("error: ")]
    assert len(errors) == 3 and errors[-1] == "error: 2 other plates failed: see out/summary.txt"
    assert all(f"cut{k}.gcode" in (farm / "out" / "summary.txt").read_text() for k in range(4))
