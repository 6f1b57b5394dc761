"""Which files a batch takes and what it calls its results; what is done stays done."""

from __future__ import annotations

import os
import shutil
import zipfile
from pathlib import Path

import pytest
from batch_tabs import KIT, asked, quiet, states, tree

from gcodetools.errors import InputError, UsageError
from gcodetools.jobs import batch as job
from gcodetools.jobs.apply import Options
from gcodetools.jobs.batch import Asked, batch, write_summary
from gcodetools.jobs.batch_files import lot_of, outputs_of, split_name
from gcodetools.jobs.batch_plate import commit, treat


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
        "cut.gcode": b"", "old.bgcode": b"GCDE", "packed.nc": b"GCDE\x01\0\0\0",
    }.items():  # fmt: skip
        (inside / name).parent.mkdir(exist_ok=True)
        (inside / name).write_bytes(data)
    for name, entry in {"model.3mf": "3D/3dmodel.model", "sliced.3mf": "Metadata/plate_1.gcode"}.items():
        with zipfile.ZipFile(inside / name, "w") as package:
            package.writestr(entry, "x")
    (inside / "broken.3mf").write_bytes(b"PK\x03\x04 no zip")
    lot = lot_of([Path("in")], None, Path("out"))
    assert [one.name for one in lot.sources] == [
        "a.gcode", "broken.3mf", "cut.gcode", "old.bgcode", "packed.nc", "print.nc", "sliced.3mf",
        "sub/b.gcode", "z.gcode.gz",
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
        "in/a.gcode: a fault of ours: ZeroDivisionError: by nothing (test_batch_files.py:"
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
