"""A batch on a cluster, and the documents that are sent to it."""

from __future__ import annotations

import os
import shutil
import sys
import zipfile
from pathlib import Path

import pytest
from batch_tabs import KIT, asked, quiet, states, tree

from gcodetools._version import __version__
from gcodetools.errors import InputError, UsageError
from gcodetools.jobs import batch as job
from gcodetools.jobs import batch_cluster, batch_local
from gcodetools.jobs.apply import Options
from gcodetools.jobs.batch import Asked, batch
from gcodetools.jobs.batch_documents import documents_of, lay_out, sendable
from gcodetools.jobs.batch_plate import treat_sent


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
            report=True,
            cluster=address,
        )
        results.append(batch(one, quiet))
    assert states(results[1]) == {"in/a.gcode": "done", "in/cut.gcode": "failed", "in/sub/b.gcode": "done"}
    assert results[1]["plates"][1]["error"] == results[0]["plates"][1]["error"]
    home, away = tree(here / "here"), tree(here / "away")
    assert away == home and sum(name.endswith(".html") for name in home) == 2
    # What the cluster did, this machine need not do again.
    again = Asked((Path("in"),), None, Path("away"), options, estimate=False)
    assert states(batch(again, quiet))["in/a.gcode"] == "as before"


SLOW = """
import sys, time
sys.path[:] = sys.argv[1:]
import gcodetools.jobs.batch_worker as worker
real = worker.treat
def treat(task):
    if "b.gcode" in task["file"]:
        time.sleep(60)
    return real(task)
worker.treat = treat
worker.main()
"""


def test_a_limit_of_time_holds_on_a_cluster_too(here, cluster, monkeypatch, plate, request):
    monkeypatch.setattr(batch_local, "_START", SLOW)
    (here / "in" / "a.gcode").unlink()
    record = batch(asked(cluster=cluster, limit_s=1.0), quiet)
    assert record["plates"][0]["error"]["cause"].startswith(
        "in/sub/b.gcode: not done within 1 s (--time-limit)"
    )
    assert record["status"] == 5 and tree(here / "out") == {}
    # What a process there makes in time is what is made here, with its pages.
    with zipfile.ZipFile(here / "two.3mf", "w") as package:
        for number in (1, 2):
            package.writestr(f"Metadata/plate_{number}.gcode", plate + b"; more\n" * number)
    away = batch(asked("two.3mf", cluster=cluster, limit_s=1000.0, report=True), quiet)
    assert [(row["plate"], row["state"]) for row in away["plates"]] == [(1, "done"), (2, "done")]
    made = tree(here / "out")
    request.getfixturevalue("in_process")
    batch(asked("two.3mf", fresh=True, report=True), quiet)
    assert tree(here / "out") == made and sum(name.endswith(".html") for name in made) == 2


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
