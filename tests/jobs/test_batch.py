"""A batch's files and names, what it rests on, its processes and its cluster, piece by piece."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import sys
import time
import zipfile
from pathlib import Path

import pytest
from shapely import box

from gcodetools._version import __version__
from gcodetools.demo.maker import Placement, make
from gcodetools.demo.shapes import Bands, Part
from gcodetools.errors import Fault, InputError, UsageError
from gcodetools.jobs import batch as job
from gcodetools.jobs import batch_cluster, batch_local
from gcodetools.jobs.apply import Options
from gcodetools.jobs.batch import Asked, batch, write_summary
from gcodetools.jobs.batch_documents import documents_of, lay_out, sendable
from gcodetools.jobs.batch_files import lot_of, outputs_of, split_name
from gcodetools.jobs.batch_plate import commit, treat, treat_sent
from gcodetools.jobs.batch_rows import csv_of, row_of, sums_of

TAB = Part("tab", 1.0, Bands(((1.0, box(0, 0, 10, 8)),)))
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


@pytest.fixture(scope="module")
def plate() -> bytes:
    return make("B", parts=(Placement(TAB, 60, 60),)).data


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, plate: bytes) -> Path:
    """A folder `in` with two plates and a kit beside it; the current one."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "in" / "sub").mkdir(parents=True)
    (tmp_path / "in" / "a.gcode").write_bytes(plate)
    (tmp_path / "in" / "sub" / "b.gcode").write_bytes(plate + b"; another\n")
    (tmp_path / "tabs.kit.yaml").write_text(KIT)
    return tmp_path


@pytest.fixture
def in_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Plates are treated here, through the JSON that a process would get, and in the order of the alphabet."""

    def run(tasks, jobs, budget):
        for number, task in enumerate(tasks):
            sent = json.loads(json.dumps(task))
            yield number, json.loads(json.dumps(commit(treat(sent), sent["targets"])))

    monkeypatch.setattr(job, "run_local", run)


def asked(*given: str, **how: object) -> Asked:
    options = how.pop("options", {})
    kits = (Path("tabs.kit.yaml"),)
    paths = tuple(map(Path, given)) or (Path("in"),)
    return Asked(paths, None, Path("out"), Options(kits, **options), estimate=False, **how)  # type: ignore[arg-type]


def tree(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def quiet(stage: str) -> None:
    pass


def states(record: dict) -> dict[str, str]:
    return {row["file"]: row["state"] for row in record["plates"]}


# Names and folders


@pytest.mark.parametrize(
    ("name", "treated"),
    [
        ("a.gcode", "a-treated.gcode"),
        ("a.gco", "a-treated.gco"),
        ("x/y/a.g", "x/y/a-treated.g"),
        ("a.GCODE", "a-treated.GCODE"),
        ("a.gcode.3mf", "a-treated.gcode.3mf"),
        ("a.3mf", "a-treated.3mf"),
        ("a.v2.gcode.gz", "a.v2-treated.gcode.gz"),
        ("a.bgcode", "a-treated.bgcode"),
        ("a.txt", "a-treated.txt"),
        ("plain", "plain-treated"),
        (".gcode", ".gcode-treated"),
    ],
)
def test_results_are_named_after_the_plate_with_its_ending(name, treated):
    assert outputs_of(name) == {"treated": treated, "record": f"{treated}.json", "page": f"{treated}.html"}
    assert "".join(split_name(name)) == name


def test_a_folder_is_walked_for_sliced_files_by_ending_and_content(here, plate):
    inside = here / "in"
    for name, data in {
        "hidden/.a.gcode": plate, ".dark/a.gcode": plate, "notes.txt": b"no", "part.stl": b"no",
        "mill.nc": b"G21\nG1 X1 Y2 F100\n", "print.nc": plate, "dump.tar.gz": b"\x1f\x8b", "z.gcode.gz": b"\x1f\x8b",
        "cut.gcode": b"", "old.bgcode": b"GCDE",
    }.items():  # fmt: skip
        (inside / name).parent.mkdir(exist_ok=True)
        (inside / name).write_bytes(data)
    for name, entry in {"model.3mf": "3D/3dmodel.model", "sliced.3mf": "Metadata/plate_1.gcode"}.items():
        with zipfile.ZipFile(inside / name, "w") as package:
            package.writestr(entry, "x")
    (inside / "broken.3mf").write_bytes(b"PK\x03\x04 no zip")
    lot = lot_of([Path("in")], None, Path("out"))
    assert [one.name for one in lot.sources] == [
        "a.gcode", "broken.3mf", "cut.gcode", "old.bgcode", "print.nc", "sliced.3mf", "sub/b.gcode", "z.gcode.gz",
    ]  # fmt: skip
    assert {one.file: one.why for one in lot.left} == {
        "in/mill.nc": "no move that extrudes in its head",
        "in/model.3mf": "a package without G-code in it",
        "in/dump.tar.gz": "compressed, and not G-code by its name",
    }
    assert lot.others == 2


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_links_lead_to_a_file_once_and_into_no_folder(here):
    inside = here / "in"
    (inside / "loop").symlink_to(inside, target_is_directory=True)
    (inside / "0.gcode").symlink_to(inside / "a.gcode")
    (inside / "gone.gcode").symlink_to(inside / "nowhere")
    (here / "other").symlink_to(inside, target_is_directory=True)
    lot = lot_of([Path("in"), Path("in/a.gcode"), Path("in")], None, Path("out"))
    assert [str(one.path) for one in lot.sources] == ["in/a.gcode", "in/sub/b.gcode"]
    assert {one.file: one.why.split(":")[0] for one in lot.left} == {
        "in/gone.gcode": "can't be read", "in/loop": "a link to a folder, which is not followed",
    }  # fmt: skip
    assert [one.name for one in lot_of([Path("other")], None, Path("out")).sources] == [
        "a.gcode",
        "sub/b.gcode",
    ]


def test_the_folder_of_results_is_never_read(here, in_process):
    nested = Asked(
        (Path("in"),), None, Path("in/out"), Options((Path("tabs.kit.yaml"),), again=True), estimate=False
    )
    assert set(states(batch(nested, quiet))) == {"in/a.gcode", "in/sub/b.gcode"}
    (
        here / "in" / "out" / "a-treated.gcode.json"
    ).unlink()  # so that nothing tells it from a plate but where it lies
    assert set(states(batch(nested, quiet))) == {"in/a.gcode", "in/sub/b.gcode"}
    with pytest.raises(UsageError, match="the folder that is read"):
        lot_of([Path("in")], None, here / "in")


def test_results_among_the_plates_of_a_folder_above_are_no_plates(here, in_process):
    above = Asked((Path("in"),), None, Path(), Options((Path("tabs.kit.yaml"),), again=True), estimate=False)
    batch(above, quiet)
    shutil.move(here / "sub", here / "in" / "moved")
    assert set(states(batch(above, quiet))) == {"in/a.gcode", "in/sub/b.gcode"}


def test_a_list_names_files_from_its_own_folder(here):
    (here / "in" / "list.txt").write_text("# those for today\n\na.gcode\n  sub  \n", encoding="utf-8-sig")
    lot = lot_of([], Path("in/list.txt"), Path("out"))
    assert [one.name for one in lot.sources] == ["a.gcode", "b.gcode"]
    with pytest.raises(InputError, match=r"--list no\.txt: can't be read"):
        lot_of([], Path("no.txt"), Path("out"))
    with pytest.raises(UsageError, match="no file or folder named"):
        lot_of([], None, Path("out"))


def test_several_folders_go_below_their_names(here):
    shutil.copytree(here / "in", here / "more" / "in")
    shutil.copytree(here / "in", here / "south")
    names = [one.name for one in lot_of([Path("in"), Path("south/.")], None, Path("out")).sources]
    assert names == ["in/a.gcode", "in/sub/b.gcode", "south/a.gcode", "south/sub/b.gcode"]
    with pytest.raises(UsageError, match="two folders with one name"):
        lot_of([Path("in"), Path("more/in")], None, Path("out"))


def test_two_plates_that_would_become_one_are_refused(here):
    shutil.copy("in/a.gcode", "in/sub/A.gcode")
    with pytest.raises(UsageError, match=r"in/sub/A.gcode and in/a.gcode: both would become a-treated.gcode"):
        lot_of([Path("in/a.gcode"), Path("in/sub/A.gcode")], None, Path("out"))


def test_a_folder_without_a_sliced_file_is_an_error(here):
    (here / "empty").mkdir()
    with pytest.raises(InputError, match="empty: no sliced file found"):
        lot_of([Path("empty")], None, Path("out"))


# What is done stays done


def test_only_what_changed_is_done_again(here, in_process, plate):
    assert set(states(batch(asked(), quiet)).values()) == {"done"}
    first = tree(here / "out")
    assert set(first) == {f"{n}-treated.gcode{e}" for n in ("a", "sub/b") for e in ("", ".json")}
    assert states(batch(asked(), quiet)) == {"in/a.gcode": "as before", "in/sub/b.gcode": "as before"}
    (here / "in" / "a.gcode").write_bytes(plate + b"; changed\n")
    assert states(batch(asked(), quiet)) == {"in/a.gcode": "done", "in/sub/b.gcode": "as before"}
    (here / "out" / "sub" / "b-treated.gcode").write_bytes(b"damaged")
    assert states(batch(asked(), quiet)) == {"in/a.gcode": "as before", "in/sub/b.gcode": "done"}
    assert tree(here / "out")["sub/b-treated.gcode"] == first["sub/b-treated.gcode"]
    (here / "out" / "a-treated.gcode.json").write_text("{}")
    assert states(batch(asked(), quiet))["in/a.gcode"] == "done"
    assert set(states(batch(asked(fresh=True), quiet)).values()) == {"done"}


def test_what_a_result_rests_on_is_noticed(here, in_process, monkeypatch):
    (here / "my.yaml").write_text("beadwright: 1\nmaterial: mine\nlike: ./base.yaml\n")
    (here / "base.yaml").write_text("beadwright: 1\nmaterial: base\nlike: petg\n")
    own = asked(options={"material": "my.yaml"})
    batch(own, quiet)
    assert set(states(batch(own, quiet)).values()) == {"as before"}
    shutil.move("tabs.kit.yaml", "same.kit.yaml")  # where it lies is nothing to the plates
    Path("tabs.kit.yaml").symlink_to("same.kit.yaml")
    assert set(states(batch(own, quiet)).values()) == {"as before"}
    (here / "base.yaml").write_text("beadwright: 1\nmaterial: base\nlike: petg\n# changed\n")
    assert set(states(batch(own, quiet)).values()) == {"done"}
    (here / "same.kit.yaml").write_text(KIT.replace("50%", "60%"))
    assert set(states(batch(own, quiet)).values()) == {"done"}
    for other in ({"keep_times": True}, {"sets": ("material.price_per_kg=9",)}, {"machine": "desktop-220"}):
        assert set(states(batch(asked(options={"material": "my.yaml", **other}), quiet)).values()) == {"done"}
    batch(own, quiet)
    monkeypatch.setattr(job, "__version__", "99")
    assert set(states(batch(own, quiet)).values()) == {"done"}


def test_a_kit_that_changes_under_a_batch_fails_its_plates(here, monkeypatch):
    def run(tasks, jobs, budget):
        (here / "tabs.kit.yaml").write_text(KIT + "# changed\n")
        yield from ((k, commit(treat(task), task["targets"])) for k, task in enumerate(tasks))

    monkeypatch.setattr(job, "run_local", run)
    record = batch(asked(), quiet)
    assert {row["error"]["cause"] for row in record["plates"]} == {
        "kit tabs: changed while the batch ran, so that plates would differ"
    }
    assert record["status"] == 3 and tree(here / "out") == {}


def test_a_fault_in_a_plate_is_its_own(here, in_process, monkeypatch):
    def odd(path, **how):
        raise ZeroDivisionError("by nothing") if path.name == "a.gcode" else MemoryError

    monkeypatch.setattr("gcodetools.jobs.batch_plate.read_plate", odd)
    rows = batch(asked(), quiet)["plates"]
    assert rows[0]["error"]["cause"].startswith(
        "in/a.gcode: a fault of ours: ZeroDivisionError: by nothing (test_batch.py:"
    )
    assert rows[1]["error"]["cause"] == "in/sub/b.gcode: out of memory"
    assert [row["status"] for row in rows] == [70, 70]


def test_what_cannot_be_written_leaves_nothing_of_its_plate(here, in_process):
    (here / "out" / "a-treated.gcode.json").mkdir(parents=True)
    record = batch(asked(), quiet)
    assert states(record) == {"in/a.gcode": "failed", "in/sub/b.gcode": "done"} and record["status"] == 7
    assert not (here / "out" / "a-treated.gcode").exists()


def test_progress_counts_plates_names_them_and_guesses_the_rest(here, in_process):
    said: list[str] = []
    batch(asked(), said.append)
    assert said[1:] == ["0 of 2", *(line for line in said[2:])]
    assert said[2].startswith("1 of 2, in/a.gcode, ") and said[3] == "2 of 2, in/sub/b.gcode, 0 s left"
    said.clear()
    (here / "out" / "a-treated.gcode").unlink()
    batch(asked(), said.append)
    assert said[1:] == ["1 of 2", "2 of 2, in/a.gcode, 0 s left"]


def test_the_order_in_which_plates_are_done_changes_no_byte(here, monkeypatch):
    trees = []
    for step in (1, -1):

        def run(tasks, jobs, budget, step=step):
            for number in range(len(tasks))[::step]:
                yield number, commit(treat(tasks[number]), tasks[number]["targets"])

        monkeypatch.setattr(job, "run_local", run)
        record = batch(asked(fresh=True), quiet)
        write_summary(Path("out"), record, "text")
        trees.append(tree(here / "out"))
    assert trees[0] == trees[1] and set(trees[0]) > {"summary.csv", "summary.json", "summary.txt"}


# The table


def test_sums_add_ends_and_take_the_weakest_basis():
    def one(best, basis):
        told = {"low": best - 1, "best": best, "high": best + 2, "basis": basis, "source": basis}
        return {"regions_treated": 2, "time_s": told, "mass_g": told, "cost": told,
                "added": {"time_s": 1.0, "mass_g": 0.5, "cost": 0.1}}  # fmt: skip

    total = sums_of([one(10.0, "measured"), one(20.0, "assumed"), one(5.0, "modelled")])
    assert total["time_s"] == {"low": 32.0, "best": 35.0, "high": 41.0, "basis": "assumed", "coverage": 0.9,
                               "source": "measured; assumed; and others"}  # fmt: skip
    assert total["regions_treated"] == 6 and total["added"] == {"time_s": 3.0, "mass_g": 1.5, "cost": 0.3}


def test_a_row_tells_the_least_margin_at_whichever_region_and_tilt():
    def region(name, **margins):
        load = {key: {"low": best / 2, "best": best, "high": best * 2} for key, best in margins.items()}
        return {"part": "clip", "instance": 1, "region": name, "load": load}

    whole = {"time_s": 100.0, "mass_g": 2.0, "cost": 0.05}
    trust = {"low": 0.9, "high": 1.2, "basis": "modelled", "source": "x"}
    answer = {"part": "clip", "region": "lips", "done": "yes"}
    record = {
        "file": "a.gcode",
        "regions": [{**answer, "instance": 1}, {**answer, "instance": 1}, {**answer, "instance": 2, "done": "nothing"}],
        "audit": {"replaced": 3, "inserted": 0},
        "costs": {"after": {"whole": whole}, "added": {"whole": whole}, "columns": dict.fromkeys(whole, trust)},
        "strength": {
            "before": [region("lips", margin=2.0), region("spine", margin=1.5, margin_crooked=0.8)],
            "after": [region("lips", margin=1.1), region("spine", margin=1.9, margin_crooked=1.4), region("ribs")],
        },
    }  # fmt: skip
    row = row_of(record, {"clip": 2}, ["careful"], outputs_of("a.gcode"), {"treated": "x"})
    assert row["margin_before"] == {"at": "clip#1/spine", "low": 0.4, "best": 0.8, "high": 1.6}
    assert row["margin_after"] == {"at": "clip#1/lips", "low": 0.55, "best": 1.1, "high": 2.2}
    assert row["regions_treated"] == 1 and row["changed"] and "page" not in row
    assert [row["time_s"][end] for end in ("low", "best", "high")] == [90.0, 100.0, 120.0]
    flat = next(
        csv.DictReader(io.StringIO(csv_of([{**row, "state": "done", "status": 0}]).decode(), newline=""))
    )
    assert (flat["margin_after_at"], flat["margin_after_best"], flat["parts"]) == (
        "clip#1/lips",
        "1.1",
        "2 clip",
    )
    assert (flat["time_s_high"], flat["added_cost"], flat["warnings"]) == ("120.0", "0.05", "1")


def test_the_table_reads_back_from_csv_and_no_name_is_a_formula():
    names = ["=1+1.gcode", 'a,"b"\n.gcode', "+x.gcode"]
    rows = [{"file": name, "state": "skipped", "status": 0, "why": "no"} for name in names]
    data = csv_of(rows)
    back = list(csv.DictReader(io.StringIO(data.decode(), newline="")))
    assert [one["file"] for one in back] == ["'=1+1.gcode", names[1], "'+x.gcode"]
    assert all(None not in one and one["warnings"] == "0" for one in back)


# Processes: a stand-in that speaks as a worker does and does what its task says

CHILD = """
import json, os, sys, time
def tell(message):
    sys.stdout.write(json.dumps(message) + "\\n"); sys.stdout.flush()
tell({"ready": 1})
for line in sys.stdin:
    task = json.loads(line)
    with open(task["log"], "a") as log:
        log.write(f"+{task['file']}\\n"); log.flush()
        time.sleep(task.get("sleep", 0.02))
        if task.get("die") and (task["die"] == "always" or not os.path.exists(task["log"] + ".died")):
            open(task["log"] + ".died", "w").close()
            os.kill(os.getpid(), 9)
        log.write(f"-{task['file']}\\n")
    tell({"state": "done", "pid": os.getpid(), "threads": os.environ["OPENBLAS_NUM_THREADS"]})
"""


def chores(log: Path, count: int, **of: dict) -> list[dict]:
    plain = {"path": "x.gcode", "bytes": 1000, "report": False, "log": str(log)}
    return [{**plain, "file": f"f{k}", **of.get(f"f{k}", {})} for k in range(count)]


@pytest.fixture
def child(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch_local, "_START", CHILD)


def most_at_once(log: Path) -> int:
    depth = most = 0
    for line in log.read_text().splitlines():
        depth += 1 if line[0] == "+" else -1
        most = max(most, depth)
    return most


def test_processes_are_kept_and_have_one_thread_of_algebra(tmp_path, child):
    told = dict(batch_local.run_local(chores(tmp_path / "log", 6), 2, None))
    assert sorted(told) == list(range(6)) and len({one["pid"] for one in told.values()}) == 2
    assert {one["threads"] for one in told.values()} == {"1"}


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_a_killed_process_fails_its_plate_alone(tmp_path, child):
    tasks = chores(tmp_path / "log", 5, f2={"die": "always"})
    told = dict(batch_local.run_local(tasks, 2, None))
    assert {k: one["state"] for k, one in told.items()} == {
        0: "done",
        1: "done",
        2: "failed",
        3: "done",
        4: "done",
    }
    assert told[2]["status"] == 70 and told[2]["cause"].startswith(
        "f2: its process ended by signal 9, as the system"
    )
    # It was tried once more, with the machine to itself.
    lines = (tmp_path / "log").read_text().splitlines()
    assert lines.count("+f2") == 2 and lines[-1] == "+f2"


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_what_died_for_others_is_done_alone(tmp_path, child):
    told = dict(batch_local.run_local(chores(tmp_path / "log", 4, f1={"die": "once"}), 2, None))
    assert {one["state"] for one in told.values()} == {"done"} and len(told) == 4
    (tmp_path / "log.died").unlink()
    told = dict(batch_local.run_local(chores(tmp_path / "log", 2, f1={"die": "once"}), 1, None))
    assert told[1]["state"] == "failed"  # it had the machine to itself


def test_no_more_at_once_than_memory_holds_and_the_large_first(tmp_path, child):
    large = {"bytes": 50_000_000, "sleep": 0.1}
    tasks = chores(tmp_path / "log", 4, f1=large, f3=large)
    need = batch_local.needed_bytes(tasks[1])
    assert need > 10 * 50_000_000
    dict(batch_local.run_local(tasks, 4, int(1.9 * need)))
    lines = (tmp_path / "log").read_text().splitlines()
    assert lines.index("+f3") > lines.index("-f1") and most_at_once(tmp_path / "log") > 1
    (tmp_path / "log").unlink()
    dict(batch_local.run_local(tasks, 1, None))
    assert (tmp_path / "log").read_text().split()[::2] == ["+f1", "+f3", "+f0", "+f2"]
    # What is larger than all there is runs by itself.
    (tmp_path / "log").unlink()
    assert len(dict(batch_local.run_local(tasks, 4, 1000))) == 4 and most_at_once(tmp_path / "log") == 1


def test_memory_needed_goes_by_size_page_and_packing():
    plain = {"path": "a.gcode", "bytes": 10_000_000, "report": False}
    need = batch_local.needed_bytes(plain)
    assert batch_local.needed_bytes({**plain, "bytes": 20_000_000}) > need
    assert batch_local.needed_bytes({**plain, "report": True}) > need
    assert batch_local.needed_bytes({**plain, "path": "a.gcode.GZ"}) > 3 * need


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux alone tells so")
def test_free_memory_is_what_a_reference_library_says():
    psutil = pytest.importorskip("psutil")  # reference library
    free = batch_local.free_bytes()
    assert free is not None and 0 < free < 1.1 * psutil.virtual_memory().available
    assert batch_local.cores() == len(psutil.Process().cpu_affinity())


def test_free_memory_heeds_the_group_of_the_process(tmp_path):
    """Names and meaning of the files: Linux kernel, Documentation/admin-guide/cgroup-v2.rst (from memory)."""
    for name, text in {"max": "1000\n", "current": "900\n", "stat": "anon 5\ninactive_file 300\n"}.items():
        (tmp_path / f"memory.{name}").write_text(text)
    assert batch_local._left_of(tmp_path) == 400
    (tmp_path / "memory.max").write_text("max\n")
    assert batch_local._left_of(tmp_path) is None


def test_closing_early_ends_the_processes(tmp_path, child):
    run = batch_local.run_local(chores(tmp_path / "log", 3, f2={"sleep": 30}), 2, None)
    pids = {next(run)[1]["pid"], next(run)[1]["pid"]}
    began = time.monotonic()
    run.close()
    assert time.monotonic() - began < 5
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


def test_a_process_that_cannot_start_is_one_clear_error(tmp_path, monkeypatch):
    monkeypatch.setattr(batch_local, "_START", "raise ImportError('no such thing')")
    with pytest.raises(Fault, match="a worker process does not start: ImportError: no such thing"):
        dict(batch_local.run_local(chores(tmp_path / "log", 2), 2, None))


# Documents that are sent


def rich(folder: Path) -> Options:
    """A kit that names a mesh, a material that is like another, and a machine; another material from outside."""
    trimesh = pytest.importorskip("trimesh")
    (folder / "kits" / "bodies").mkdir(parents=True)
    (folder / "own").mkdir()
    body = trimesh.creation.box(extents=(40.0, 40.0, 10.0))
    body.export(folder / "kits" / "bodies" / "all.stl")
    text = KIT.replace("material: petg", "material: ../own/a.yaml").replace(
        "within: all", "within: {mesh: bodies/all.stl}"
    )
    (folder / "kits" / "tabs.kit.yaml").write_text(text)
    for name, like in (("a", "b.yaml"), ("b", "petg"), ("c", "./b.yaml")):
        (folder / "own" / f"{name}.yaml").write_text(f"beadwright: 1\nmaterial: {name}\nlike: {like}\n")
    return Options((folder / "kits",), str(folder / "own" / "c.yaml"), "desktop-220")


def test_documents_hold_all_that_a_kit_names(tmp_path):
    told = documents_of(rich(tmp_path))
    assert sorted(Path(key).name for key in told.files) == [
        "a.yaml",
        "all.stl",
        "b.yaml",
        "c.yaml",
        "tabs.kit.yaml",
    ]
    assert [role for role, _ in told.digests] == [
        "profiles", "kit", "mesh", "materials", "materials", "materials", "materials",
    ]  # fmt: skip
    assert told.machine == "desktop-220" and told.material in told.files
    sendable(told)


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_kit_that_would_not_arrive_is_not_sent(tmp_path):
    options = rich(tmp_path)
    (tmp_path / "kits" / "odd").symlink_to(tmp_path / "own", target_is_directory=True)
    kit = tmp_path / "kits" / "tabs.kit.yaml"
    kit.write_text(kit.read_text().replace("../own/a.yaml", "odd/a.yaml"))
    with pytest.raises(InputError, match=r"kit tabs can't be sent: /.*/kits/tabs.kit.yaml:3: material: "):
        sendable(documents_of(options))


@pytest.mark.parametrize("key", ["../x", "/etc/x", "a/../../x", "a/../x"])
def test_no_document_is_laid_out_elsewhere(tmp_path, key):
    (tmp_path / "in").mkdir()
    with pytest.raises(InputError, match="a path that leads elsewhere"):
        lay_out({key: b"x"}, tmp_path / "in")
    assert list(tmp_path.rglob("x")) == []


def test_a_worker_of_another_version_says_so():
    result = treat_sent({"version": "99", "task": {"file": "a.gcode"}})
    assert result["state"] == "failed" and f"has Beadwright {__version__}, expected 99" in result["cause"]


# A cluster


@pytest.fixture(scope="module")
def cluster():
    """A scheduler with one worker, in this process, spoken to over TCP."""
    distributed = pytest.importorskip("distributed", reason="extra `cluster` is not installed")
    with distributed.LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        processes=False,
        protocol="tcp",
        host="127.0.0.1",
        dashboard_address=None,
    ) as made:
        yield made.scheduler_address


def test_a_cluster_makes_the_same_bytes_as_this_machine(here, cluster, in_process):
    options = rich(here)
    options = Options((Path("kits"),), "own/c.yaml", options.machine)
    (here / "in" / "cut.gcode").write_bytes(b"G28\n")
    results = []
    for folder, address in (("here", None), ("away", cluster)):
        one = Asked(
            (Path("in"),),
            None,
            Path(folder),
            options,
            estimate=False,
            report=address is None,
            cluster=address,
        )
        results.append(batch(one, quiet))
    assert states(results[1]) == {"in/a.gcode": "done", "in/cut.gcode": "failed", "in/sub/b.gcode": "done"}
    assert results[1]["plates"][1]["error"] == results[0]["plates"][1]["error"]
    home, away = tree(here / "here"), tree(here / "away")
    assert set(away) == {name for name in home if not name.endswith(".html")}
    for name in away:
        if name.endswith(".gcode"):
            assert away[name] == home[name]
    told = [json.loads(one["a-treated.gcode.json"]) for one in (home, away)]
    for one in told:
        one["files"].pop("page", None), one["row"].pop("page", None)
    assert told[0] == told[1]
    # What the cluster did, this machine need not do again.
    again = Asked((Path("in"),), None, Path("away"), options, estimate=False)
    assert states(batch(again, quiet))["in/a.gcode"] == "as before"


def test_a_cluster_of_another_version_is_refused(here, cluster, monkeypatch):
    monkeypatch.setattr(batch_cluster, "__version__", "99")
    with pytest.raises(
        InputError, match=rf"worker tcp://\S+ has Beadwright {__version__}, expected 99 as here"
    ):
        batch(asked(cluster=cluster), quiet)
    monkeypatch.setattr(batch_cluster, "_VERSION", "no_such_module_at_all:x")
    with pytest.raises(InputError, match="has no Beadwright"):
        batch(asked(cluster=cluster), quiet)


def test_a_scheduler_that_is_not_there_is_an_error(here, monkeypatch):
    pytest.importorskip("distributed", reason="extra `cluster` is not installed")
    monkeypatch.setattr(batch_cluster, "_PATIENCE_S", 0.2)
    with pytest.raises(InputError, match=r"--cluster tcp://127.0.0.1:9: no Dask scheduler answers there"):
        batch(asked(cluster="tcp://127.0.0.1:9"), quiet)


def test_without_the_library_a_cluster_is_a_usage_error(here, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match="needs the library distributed, which is not installed"):
        batch(asked(cluster="tcp://127.0.0.1:9"), quiet)


DEADLY = """
import os
import gcodetools.jobs.batch_plate as module
real = module.treat
module.treat = lambda task: os.kill(os.getpid(), 9) if "a.gcode" in task["file"] else real(task)
"""


@pytest.mark.long
@pytest.mark.skipif(os.name == "nt", reason="signals")
@pytest.mark.parametrize("patience", [3, 0])
def test_a_plate_whose_worker_is_lost_is_tried_again(here, patience, monkeypatch):
    """The first worker that gets `a.gcode` dies; its nanny starts a sound one. patience : how often a scheduler lets
    that happen to a task."""
    distributed = pytest.importorskip("distributed", reason="extra `cluster` is not installed")
    dask = pytest.importorskip("dask")
    for k in range(4):
        shutil.copy("in/a.gcode", f"in/c{k}.gcode")
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": patience}),
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=1, host="127.0.0.1", dashboard_address=None
        ) as made,
    ):
        with distributed.Client(made.scheduler_address) as client:
            client.run(exec, DEADLY, {})
        record = batch(asked(cluster=made.scheduler_address), quiet)
    assert {one["state"] for one in record["plates"]} == {"done"} and len(record["plates"]) == 6


class KilledWorker(Exception):
    """As the library names it."""


def test_a_plate_that_ends_every_worker_fails_alone_after_a_second_try(here, monkeypatch):
    """A stand-in for the library: what is sent is treated when its result is asked for."""

    class Future:
        status = "finished"

        def __init__(self, sent):
            self.sent = sent

        def result(self):
            log.append(self.sent["task"]["file"])
            if "/a" in log[-1]:
                raise KilledWorker(log[-1])
            if log[-1] == "in/c.gcode":
                raise OSError("odd")
            return treat_sent(self.sent)

        def release(self):
            pass

    class Client:
        loop = None

        def submit(self, function, sent, **how):
            assert function is treat_sent and how["key"] not in keys
            keys.add(how["key"])
            return Future(sent)

    class Library:
        class as_completed(list):
            def __init__(self, futures, loop):
                super().__init__(futures)

            add = list.append

            def __next__(self):
                most.append(len(self))
                return self.pop()  # the last is back first

    log: list[str] = []
    keys: set[str] = set()
    most: list[int] = []
    shutil.copy("in/a.gcode", "in/a2.gcode")
    shutil.copy("in/a.gcode", "in/c.gcode")
    monkeypatch.setattr(
        job,
        "run_on_cluster",
        lambda address, tasks, documents, progress: batch_cluster._Line(
            Client(), Library, tasks, documents, address
        ).run(2),
    )
    record = batch(
        Asked((Path("in"), Path("gone.gcode")), None, Path("out"), asked().options, cluster="x"), quiet
    )
    rows = {row["file"]: row for row in record["plates"]}
    assert (
        rows["in/a.gcode"]["status"] == 70
        and "every worker that tried it was lost" in rows["in/a.gcode"]["error"]["cause"]
    )
    assert "the cluster: OSError: odd" in rows["in/c.gcode"]["error"]["cause"]
    assert rows["gone.gcode"]["error"]["cause"] == "gone.gcode: no such file"
    assert sorted(log[-2:]) == ["in/a.gcode", "in/a2.gcode"] and log.count("in/a.gcode") == 2
    assert max(most) == 2 and most[-2:] == [1, 1]


@pytest.mark.long
def test_a_scheduler_that_goes_away_ends_the_batch(here):
    distributed = pytest.importorskip("distributed", reason="extra `cluster` is not installed")
    made = distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, host="127.0.0.1", dashboard_address=None
    )
    for k in range(30):
        shutil.copy("in/a.gcode", f"in/c{k}.gcode")

    def once(stage: str) -> None:
        if stage.startswith("3 of"):
            made.close()

    with pytest.raises(InputError, match="the scheduler went away"):
        batch(asked(cluster=made.scheduler_address), once)
    done = [name for name in tree(here / "out") if name.endswith(".json")]
    assert 3 <= len(done) < 32
    assert {f"{name}.json" for name in tree(here / "out") if name.endswith(".gcode")} == set(done)
