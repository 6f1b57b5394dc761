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

from gcodetools.cli import batch as command
from gcodetools.gcode.containers.opening import open_container
from gcodetools.jobs import batch_plate
from gcodetools.jobs.batch_plate import commit, treat

sys.path[:0] = [str(Path(__file__).parent.parent / "jobs" / "batch")]

from batch_tabs import KIT, tab, tree  # noqa: E402

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


@pytest.fixture
def farm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder `in` with two plates, one of them in a folder of its own; the current folder has the kit."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BEADWRIGHT_KIT", raising=False)
    monkeypatch.setenv("COLUMNS", "100")
    (tmp_path / "in" / "sub").mkdir(parents=True)
    (tmp_path / "in" / "a.gcode").write_bytes(tab())
    (tmp_path / "in" / "sub" / "b.g").write_bytes(tab() + b"; b\n")
    (tmp_path / "tabs.kit.yaml").write_text(KIT)
    return tmp_path


@pytest.fixture
def in_process(monkeypatch):
    """Plates are treated here; what processes do is tested above."""

    def work(tasks, jobs, budget):
        for number, task in enumerate(tasks):
            yield number, commit(treat(task), task["targets"])

    monkeypatch.setattr("gcodetools.jobs.batch.run_local", work)


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


def two_plates(path: Path, *texts: bytes) -> None:
    """A package without digests."""
    with zipfile.ZipFile(path, "w") as made:
        for number, text in enumerate(texts, 1):
            made.writestr(f"Metadata/plate_{number}.gcode", text)


def plates_of(path: Path) -> list[bytes]:
    with zipfile.ZipFile(path) as made:
        return [made.read(name) for name in made.namelist()]


def test_each_plate_of_a_package_is_a_row_and_the_package_is_one(farm, run, in_process):
    two_plates(farm / "in" / "two.3mf", tab(), tab() + b"; other\n")
    ran = run("batch", "in/two.3mf", *ARGS, "--report")
    assert ran.status == 0, ran.err
    assert "2 plates -> out" in ran.out and "two.3mf, plate 1 " in ran.out and "two.3mf, plate 2 " in ran.out
    # What `post` makes of it plate by plate is the outside of this.
    (farm / "copy.3mf").write_bytes((farm / "in" / "two.3mf").read_bytes())
    for number in (1, 2):
        assert run("post", "copy.3mf", *ARGS[:2], "--plate", number, "-q").status == 0
    assert (farm / "out" / "two-treated.3mf").read_bytes() == (farm / "copy.3mf").read_bytes()
    assert set(tree(farm / "out")) == {
        "two-treated.3mf", "two-treated.3mf.json", "two-treated.3mf.plate1.html", "two-treated.3mf.plate2.html",
        "summary.txt", "summary.csv", "summary.json",
    }  # fmt: skip
    assert b"two-treated.3mf (plate 2)" in (farm / "out" / "two-treated.3mf.plate2.html").read_bytes()
    table = list(csv.DictReader(io.StringIO((farm / "out" / "summary.csv").read_text(), newline="")))
    assert [(row["file"], row["plate"], row["page"]) for row in table] == [
        ("in/two.3mf", "1", "two-treated.3mf.plate1.html"), ("in/two.3mf", "2", "two-treated.3mf.plate2.html"),
    ]  # fmt: skip
    again = run("batch", "in/two.3mf", *ARGS, "--report", "--json").json
    assert [(row["state"], row["plate"]) for row in again["plates"]] == [("as before", 1), ("as before", 2)]
    # A page that is gone is made again, and all with it.
    (farm / "out" / "two-treated.3mf.plate2.html").unlink()
    assert run("batch", "in/two.3mf", *ARGS, "--report", "--json").json["count"]["done"] == 2


def test_a_record_that_somebody_wrote_into_is_none(farm, run, in_process):
    two_plates(farm / "in" / "two.3mf", tab(), tab())
    record = farm / "out" / "two-treated.3mf.json"
    assert run("batch", "in/two.3mf", *ARGS, "-q").status == 0
    good = json.loads(record.read_bytes())
    for plates in ([], [1], {}, [{**good["plates"][0], "number": "x"}, good["plates"][1]], [{"number": 1}]):
        record.write_text(json.dumps({**good, "plates": plates}))
        assert run("batch", "in/two.3mf", *ARGS, "--json").json["count"]["done"] == 2
    assert run("batch", "in/two.3mf", *ARGS, "--json").json["count"]["as before"] == 2


def test_a_plate_of_a_package_that_fails_stays_as_it_was(farm, run, in_process):
    two_plates(farm / "in" / "two.3mf", tab(), b"G28\n", tab().replace(b"tab", b"lid"), tab())
    ran = run("batch", "in/two.3mf", *ARGS, "--json")
    assert ran.status == 4
    assert [(row["plate"], row["state"], row["status"]) for row in ran.json["plates"]] == [
        (1, "done", 0), (2, "failed", 3), (3, "failed", 4), (4, "done", 0),
    ]  # fmt: skip
    assert (
        "error: in/two.3mf (plate 2): no bead in it" in ran.err and "left from an earlier run" not in ran.err
    )
    before, after = plates_of(farm / "in" / "two.3mf"), plates_of(farm / "out" / "two-treated.3mf")
    assert [a == b for a, b in zip(before, after, strict=True)] == [False, True, True, False]
    # It is not done, so it is tried again; and `--plate` takes the one that can be.
    assert run("batch", "in/two.3mf", *ARGS, "--json").json["count"]["as before"] == 0
    ran = run("batch", "in/two.3mf", *ARGS, "--plate", "4", "--json")
    assert ran.json["count"] == {
        "plates": 1, "done": 1, "as before": 0, "skipped": 0, "failed": 0, "other_files": 0,
    }  # fmt: skip
    assert plates_of(farm / "out" / "two-treated.3mf")[:3] == before[:3]
    ran = run("batch", "in/two.3mf", *ARGS, "--plate", "5")
    assert ran.status == 2 and "found no plate 5" in ran.err and "there are 1, 2, 3, 4" in ran.err


def test_a_package_of_which_no_plate_came_to_anything_is_not_written(farm, run, in_process):
    two_plates(farm / "in" / "two.3mf", tab(), tab())
    strict = run("batch", "in/two.3mf", *ARGS, "--strict", "--json")
    assert strict.status == 6 and [row["plate"] for row in strict.json["plates"]] == [1, 2]
    assert not (farm / "out" / "two-treated.3mf").exists()
    assert run("batch", "in/two.3mf", *ARGS, "-q").status == 0
    (farm / "out" / "two-treated.3mf.json").unlink()
    twice = run("batch", "out/two-treated.3mf", *ARGS[:2], "-o", "twice", "--no-estimate", "--json")
    assert twice.status == 0 and {row["why"][:15] for row in twice.json["plates"]} == {"treated already"}
    assert set(tree(farm / "twice")) == {"summary.txt", "summary.csv", "summary.json"}


def test_a_package_that_memory_does_not_hold_is_left_whole(farm, run, in_process, monkeypatch):
    """It is tried again when there is more of it, so a half of it is of no use."""
    two_plates(farm / "in" / "two.3mf", tab(), tab())
    real, calls = batch_plate.apply_plate, []

    def scarce(*args):
        calls.append(1)
        if len(calls) == 2:
            raise MemoryError
        return real(*args)

    monkeypatch.setattr(batch_plate, "apply_plate", scarce)
    ran = run("batch", "in/two.3mf", *ARGS, "--json")
    (row,) = ran.json["plates"]
    assert (ran.status, row["status"], row["error"]["cause"]) == (70, 70, "in/two.3mf: out of memory")
    assert "plate" not in row and not (farm / "out" / "two-treated.3mf").exists()


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_a_plate_beyond_the_time_limit_fails(farm, run, monkeypatch):
    monkeypatch.setattr("gcodetools.jobs.batch_local._START", THREE)
    (farm / "in" / "sub" / "b.g").rename(farm / "in" / "slow.gcode")
    ran = run("batch", "in/slow.gcode", *ARGS, "--time-limit", "1")
    assert ran.status == 5
    assert "error: in/slow.gcode: not done within 1 s (--time-limit), so its process was ended" in ran.err
    assert {name for name in tree(farm / "out") if "summary" not in name} == set()
    # The limit is no part of what a result rests on.
    assert run("batch", "in/a.gcode", *ARGS, "--time-limit", "1000", "-q").status == 0
    assert run("batch", "in/a.gcode", *ARGS, "--json").json["count"]["as before"] == 1


def test_a_closed_standard_error_is_no_fault(farm):
    """What failed is told in the table too; a stream that nobody reads is no reason to end with a traceback."""
    (farm / "in" / "cut.gcode").write_bytes(b"G28\n")
    process = begun("batch", "in/cut.gcode", *ARGS, "--json")
    process.stderr.close()
    out = process.stdout.read()
    process.stdout.close()
    assert process.wait(timeout=60) == 3 and json.loads(out)["count"]["failed"] == 1


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
        (("in", *ARGS, "--time-limit", "0"), 2, "error: invalid value for '--time-limit'"),
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
