"""What is kept ready between runs: the same as made anew, never out of date, and no harm if it cannot be kept."""

from __future__ import annotations

import os
import shutil
import stat
from pathlib import Path

import msgspec
import numpy as np
import pytest

from diagnose.knowledge import cache as ready
from diagnose.knowledge.load import knowledge_root, load_knowledge, with_only
from diagnose.network.tables import compile_network


@pytest.fixture
def folder(tmp_path, monkeypatch):
    place = tmp_path / "cache" / "ready"
    monkeypatch.setattr(ready, "folder", lambda: place)
    return place


def made(values, made_from="one"):
    """Ask for numbers; tells whether they had to be made."""
    calls = []

    def make():
        calls.append(1)
        return values

    return ready.kept("numbers", made_from, list[int], make), bool(calls)


def test_a_result_is_made_once_and_then_found(folder):
    assert made([1, 2]) == ([1, 2], True)
    assert made([3]) == ([1, 2], False)


def test_what_it_is_made_from_and_the_program_decide_which_result_is_found(folder, monkeypatch):
    made([1, 2])
    assert made([3], made_from="another") == ([3], True)
    monkeypatch.setattr(ready, "_program", lambda: "another version")
    assert made([4]) == ([4], True)
    monkeypatch.setattr(ready, "_program", lambda: "")  # code that cannot be read: nothing is kept
    assert made([5]) == ([5], True)
    assert made([6]) == ([6], True)


@pytest.mark.parametrize(
    "damage", [lambda b: b[:-1], lambda b: b[:40] + b"\0" + b[41:], lambda b: b"", lambda b: b * 2]
)
def test_a_damaged_file_is_made_anew_and_mended(folder, damage):
    made(list(range(100)))
    (file,) = folder.iterdir()
    file.write_bytes(damage(file.read_bytes()))
    assert made([7]) == ([7], True)
    assert made([8]) == ([7], False)


def test_data_of_another_shape_are_made_anew(folder):
    made([1])
    (file,) = folder.iterdir()
    file.unlink()
    ready._write(file, msgspec.msgpack.encode("no numbers"))
    assert made([7]) == ([7], True)


@pytest.mark.skipif(os.name != "posix", reason="owners and bits of POSIX")
def test_only_the_owner_can_read_it_and_what_others_can_write_is_not_read(folder):
    made([1])
    (file,) = folder.iterdir()
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    file.chmod(0o620)
    assert made([2]) == ([2], True)
    folder.chmod(0o755)
    assert made([3]) == ([3], True)
    assert made([4]) == ([4], True)  # and nothing is written there
    folder.chmod(0o700)
    elsewhere = folder.with_name("elsewhere")
    shutil.copytree(folder, elsewhere)
    shutil.rmtree(folder)
    folder.symlink_to(elsewhere)
    assert made([5]) == ([5], True)


@pytest.mark.skipif(os.name != "posix", reason="owners of POSIX")
def test_what_belongs_to_somebody_else_is_not_read(folder, monkeypatch):
    made([1])
    monkeypatch.setattr(os, "geteuid", lambda: 12345)
    assert made([2]) == ([2], True)


def test_a_folder_that_cannot_be_used_does_no_harm(folder):
    folder.parent.mkdir(parents=True)
    folder.write_text("a file stands where the folder should be")
    assert made([1]) == ([1], True)
    assert made([2]) == ([2], True)


def test_an_error_while_making_comes_through_and_leaves_nothing(folder):
    def fail():
        raise ValueError("cannot be made")

    with pytest.raises(ValueError, match="cannot be made"):
        ready.kept("numbers", "one", list[int], fail)
    assert not folder.exists()


def test_old_files_make_room(folder):
    for number in range(ready.MOST_FILES + 3):
        made([number], made_from=str(number))
    assert len(list(folder.iterdir())) == ready.MOST_FILES


def copied(tmp_path) -> Path:
    root = tmp_path / "knowledge"
    shutil.copytree(knowledge_root(), root, ignore=shutil.ignore_patterns("evidence", "derived"))
    return root


def test_knowledge_found_again_is_the_knowledge_of_the_files(folder, tmp_path):
    """Types and order included, with the user's own file laid over it; a changed file is read anew."""
    root = copied(tmp_path)
    own = tmp_path / "own.toml"
    own.write_text('[[panel]]\nid = "mine"\nname = "mine"\nbased_on = "single_pump"\n')
    first = load_knowledge(root, (own,))
    again = load_knowledge(root, (own,))
    assert again is not first
    assert again == first
    assert repr(again) == repr(first)
    assert "mine" in again.panels
    assert "mine" not in load_knowledge(root).panels
    file = root / "engine.toml"
    file.write_text(file.read_text().replace("decided = 0.8\n", "decided = 0.7\n"))
    assert load_knowledge(root).limits.decided == 0.7


def test_a_changed_knowledge_base_is_not_taken_for_the_one_that_was_read(folder):
    kb = load_knowledge()
    assert kb.made_from
    assert not with_only(kb, panels={}).made_from


def test_tables_found_again_are_those_made_without_anything_kept(folder):
    kb = load_knowledge()
    plain = compile_network(with_only(kb), "single_pump")
    for network in (compile_network(kb, "single_pump"), compile_network(kb, "single_pump")):
        assert list(network.facets) == list(plain.facets)
        assert all(np.array_equal(t.chance, plain.facets[name].chance) for name, t in network.facets.items())
        for name, found in network.facets.items():
            assert np.array_equal(found.report, plain.facets[name].report)
            assert (found.sizes is None) == (plain.facets[name].sizes is None)
            assert found.sizes is None or np.array_equal(found.sizes, plain.facets[name].sizes)
        assert list(network.memories) == list(plain.memories)
        for name, tables in network.memories.items():
            for kind in ("carry", "onset", "first"):
                found, wanted = getattr(tables, kind), getattr(plain.memories[name], kind)
                assert list(found) == list(wanted)
                assert all(np.array_equal(found[key], wanted[key]) for key in wanted)
