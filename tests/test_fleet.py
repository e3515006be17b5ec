"""Many recorded flights: the same table from one core, from two, after a stop, and from a cluster; and its page."""

from __future__ import annotations

import csv
import json
import shutil
import sys

import pytest

from diagnose import cli
from diagnose.cli import review
from diagnose.cli.review import JOURNAL, PAGE, TABLE, recordings, reviews, table_of
from diagnose.model import workers
from diagnose.model.errors import CaseError
from diagnose.render.pages.findings import COLUMNS, fleet_page, fleet_row
from tests.test_review_by_hand import rows_of

DAY = "2024-05-03 14:02:{:02d}"


@pytest.fixture(scope="module")
def flights(tmp_path_factory):
    """Two flights that can be reviewed, one in a folder below, and a file that cannot."""
    folder = tmp_path_factory.mktemp("flights")
    (folder / "may").mkdir()
    for name, fault in (("sound.csv", ""), ("may/static.csv", "static closed")):
        header, rows = rows_of(fault, 1)
        text = "\n".join(",".join(cells) for cells in [header, *rows])
        (folder / name).write_text(text + "\n")
    (folder / "bad.csv").write_text("nothing\n")
    return folder


def jobs_of(folder, but=None):
    files = recordings(folder, but)
    return [(p, p.relative_to(folder).as_posix(), None, (), None, "", ()) for p in files]


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    return tmp_path_factory.mktemp("table")


@pytest.fixture(scope="module")
def table(flights, kept):
    return table_of(jobs_of(flights), kept)


def test_a_table_holds_what_each_flight_gave_in_the_order_of_the_files(table):
    assert [row["file"] for row in table] == ["bad.csv", "may/static.csv", "sound.csv"]
    bad, static, sound = table
    assert "no column tells the time" in bad["error"]
    assert set(static["lied"].split(", ")) == {"airspeed", "altimeter", "vertical speed"}
    assert static["showed"] is not None
    assert (sound["likely"], sound["lied"], sound["showed"]) == ("nothing failed", "", None)


def test_what_is_done_is_not_done_again_and_what_was_stopped_goes_on(flights, table, tmp_path, monkeypatch):
    done = []

    def here(work, jobs, workers=None, cluster=""):
        for job in jobs:
            done.append(job[1])
            yield job, review.review_one(job)
            if len(done) == 2:
                raise KeyboardInterrupt

    monkeypatch.setattr(review, "results", here)
    with pytest.raises(KeyboardInterrupt):
        table_of(jobs_of(flights), tmp_path)
    assert done == ["bad.csv", "may/static.csv"]
    # the line that was being written when it stopped is of no use, and harms nothing
    with (tmp_path / JOURNAL).open("ab") as file:
        file.write(b'["0123')
    assert table_of(jobs_of(flights), tmp_path) == table
    assert done == ["bad.csv", "may/static.csv", "sound.csv"]
    assert table_of(jobs_of(flights), tmp_path) == table
    assert len(done) == 3
    # a file that has changed is another flight
    own = tmp_path / "own"
    shutil.copytree(flights, own)
    (own / "bad.csv").write_text("still nothing\n")
    table_of(jobs_of(own), tmp_path)
    assert done[3:] == ["bad.csv"]


def test_the_table_is_csv_and_page_alike(table, kept):
    with (kept / TABLE).open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [tuple(row) for row in rows] == [tuple(COLUMNS)] * 3
    assert [float(row["chance"]) for row in rows if row["chance"]] == [
        row["chance"] for row in table if row["chance"]
    ]
    page = (kept / PAGE).read_text()
    assert all(row["file"] in page for row in table)


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_of_two_processes_gives_the_same_to_the_last_digit(flights, table, tmp_path):
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as cluster:
        found = table_of(jobs_of(flights), tmp_path, cluster.scheduler_address)
    assert json.dumps(found) == json.dumps(table)


def test_a_cluster_that_is_not_there_is_told_in_words(monkeypatch, tmp_path):
    monkeypatch.setattr(workers, "ANSWERS_S", 1)
    pytest.importorskip("distributed")
    with pytest.raises(CaseError, match="no cluster answers"):
        list(workers.results(str, [1], cluster="tcp://127.0.0.1:1"))
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(CaseError, match=r"dask\.distributed"):
        list(workers.results(str, [1], cluster="tcp://127.0.0.1:1"))


def test_no_more_is_under_way_than_the_workers_need():
    """What is ahead of the results stays bounded, however many jobs there are."""
    jobs = list(range(40))
    taken = []

    class Jobs(list):
        def __iter__(self):
            for job in list.__iter__(self):
                taken.append(job)
                yield job

    ahead = [len(taken) - done for done, _ in enumerate(workers.results(str, Jobs(jobs), 2), 1)]
    assert max(ahead) <= 2 * workers.AHEAD
    assert len(ahead) == len(jobs)


def test_results_come_in_the_order_of_the_files_and_it_is_told_how_far_it_is(monkeypatch):
    jobs = [(name,) for name in ("one.csv", "two.csv", "three.csv")]
    told = []
    monkeypatch.setattr(review, "results", lambda *_, **__: [(job, {"file": job[0]}) for job in jobs[::-1]])
    monkeypatch.setattr(review, "step", told.append)
    assert [row["file"] for row in reviews(jobs)] == ["one.csv", "two.csv", "three.csv"]
    assert told[0] == "1 of 3 flights, the last three.csv"


def test_the_command_keeps_its_table_beside_the_flights(flights, table, kept, tmp_path, capsys):
    own = tmp_path / "own"
    shutil.copytree(flights, own)
    (own / "table").mkdir()
    shutil.copy(kept / JOURNAL, own / "table")
    for _ in range(2):  # the table's own files are no flights
        assert cli.main(["review", str(own), "--yes", "--table", str(own / "table"), "--json"]) == 1
        assert json.loads(capsys.readouterr().out) == table


@pytest.mark.parametrize("name", [TABLE, PAGE, JOURNAL])
def test_a_folder_with_files_of_another_is_left_alone(flights, tmp_path, name):
    (tmp_path / name).write_text("mine\n")
    with pytest.raises(CaseError, match="not of this table"):
        table_of(jobs_of(flights), tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "mine\n"


def test_a_page_of_hostile_names_runs_nothing():
    row = fleet_row({"file": "<script>alert(1)</script>.csv", "error": "no"})
    assert "<script>alert" not in fleet_page([row])
