"""Scores of stories against their keys: what was taken in right, what was taken wrong without a word."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from diagnose import engine_for
from diagnose.language.prose import EVIDENCE, Piece, read_story
from diagnose.language.story import build
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.terminal.commands import Desk
from diagnose.terminal.commands.hearing import HeardStory, hear_story

DATA = Path(__file__).parent / "data"


@dataclass
class Score:
    """Counts over stories: keys and those met, sentences and those misunderstood, same first answers."""

    keys: int = 0
    met: int = 0
    sentences: int = 0
    wrong: int = 0
    #: keys that were missed: in a sentence with a question asked back, in one misunderstood, in another
    asked: int = 0
    spoiled: int = 0
    stories: int = 0
    ranked: int = 0
    compared: int = 0
    same: int = 0
    notes: list[str] = field(default_factory=list)

    def share(self) -> str:
        """The four figures in words."""
        return (
            f"keys {self.met}/{self.keys} = {100 * self.met / max(self.keys, 1):.0f} %, "
            f"silently wrong sentences {self.wrong}/{self.sentences} = {100 * self.wrong / max(self.sentences, 1):.1f} %, "
            f"ranked {self.ranked}/{self.stories}, same first answer {self.same}/{self.compared}"
        )


def stories(name: str) -> list[dict]:
    """The stories of a file in tests/data."""
    return tomllib.loads((DATA / name).read_text(encoding="utf-8"))["story"]


def _is(piece: Piece, gauge: str, wanted: str) -> bool:
    if wanted.count(" "):  # another gauge for the same thing
        gauge, wanted = wanted.split(" ")
    if wanted == "rest":
        return piece.kind == "rest"
    if wanted in ("noted", "disagree"):
        return piece.kind == wanted
    if piece.gauge != gauge:
        return False
    if wanted == "expected":
        return piece.kind == "expected" and piece.sure >= 0.5
    denied = wanted.startswith("!")
    facet, _, reading = wanted.removeprefix("!").partition(".")
    said = (piece.facet, piece.reading) == (f"{gauge}.{facet}", reading)
    return piece.kind == "reading" and said and (piece.sure < 0.5) == denied


def met(key: str, heard: HeardStory) -> bool:
    """Whether a key is among what was taken from its sentence."""
    number, kind, rest = key.split(" ", 2)
    at = int(number) - 1
    pieces = heard.read[at].pieces
    lost = {id(left.piece) for left in heard.built.left_out}
    if kind == "MAN":
        told = {p.value for p in pieces if p.kind == "flown"}
        if told & set(rest.split("|")):
            return True
        # gone on from the sentence before: the moment of this sentence's evidence
        moments = {p.moment for p in heard.built.placed if p.sentence == at}
        return any(heard.desk.case.snapshot[m - 1].manoeuvre in rest.split("|") for m in moments)
    if kind == "COND":
        return rest in heard.desk.case.context and any(
            p.kind == "condition" and p.value == rest for p in pieces
        )
    if kind == "EQ":
        return any(p.kind in ("fitted", "maybe_fitted") and p.value == rest for p in pieces)
    if kind == "ACT":
        switch, position = rest.split(" ")
        return any(p.kind == "switch" and (p.value, p.position) == (switch, position) for p in pieces)
    gauge, ways = rest.split(" ", 1)
    placed = [p.piece for p in heard.built.placed if p.sentence == at]
    for way in ways.split("|"):
        if way.startswith("MAN "):
            if any(p.kind == "flown" and p.value == way[4:] for p in pieces):
                return True
            continue
        if any(_is(piece, gauge, way) for piece in (*pieces, *placed) if id(piece) not in lost):
            return True
    return False


def misread(story: dict, heard: HeardStory) -> Iterator[tuple[int, str]]:
    """Evidence and switches that neither the keys nor ``also`` hold: (sentence, what)."""
    allowed: list[tuple[int, str, str]] = []
    for key in story["expects"]:
        number, kind, rest = key.split(" ", 2)
        if kind == "OBS":
            gauge, ways = rest.split(" ", 1)
            allowed += [(int(number) - 1, gauge, way) for way in ways.split("|")]
        elif kind == "ACT":
            allowed.append((int(number) - 1, "switch", rest))
        elif kind == "COND":
            allowed.append((-1, "condition", rest))
    for entry in story.get("also", ()):
        gauge, _, way = entry.partition(" ")
        allowed.append((-1, gauge if way else "condition", way or gauge))
    allowed += [(-1, "condition", flag) for flag in story.get("context", ())]
    for at, sentence in enumerate(heard.read):
        for piece in sentence.pieces:
            if piece.kind in EVIDENCE and piece.kind != "rest":
                if not any(
                    n in (at, -1) and _is(piece, g, w)
                    for n, g, w in allowed
                    if g not in ("switch", "condition")
                ):
                    yield (
                        at,
                        f"{piece.gauge} {piece.kind} {piece.facet} {piece.reading} {piece.sure:g} <- {piece.words!r}",
                    )
            elif piece.kind == "switch":
                if not any(g == "switch" and w == f"{piece.value} {piece.position}" for n, g, w in allowed):
                    yield at, f"{piece.value} {piece.position} <- {piece.words!r}"
            elif piece.kind == "condition" and not any(
                g == "condition" and w == piece.value for n, g, w in allowed
            ):
                yield at, f"condition {piece.value} <- {piece.words!r}"


def hand_made(story: dict) -> CaseRecord:
    """The case of a story told by hand."""
    listed = []
    for line in story["case"]:
        flown, _, said = line.partition(": ")
        switches, readings, unsure = {}, {}, {}
        for part in said.split(", "):
            if "=" in part:
                switch, position = part.split("=")
                switches[switch] = position
            else:
                facet, reading = part.split(" ")
                if reading.startswith("!"):
                    unsure[facet] = (reading[1:], 0.0)
                else:
                    readings[facet] = reading
        listed.append(SnapshotRecord(manoeuvre=flown, switches=switches, readings=readings, unsure=unsure))
    return CaseRecord(
        title="by hand",
        panel=story.get("panel", "single_pump"),
        context=tuple(story.get("context", ())),
        snapshot=tuple(listed),
    )


def _unranked(desk: Desk, text: str) -> HeardStory:
    """A story in its case, without the ranking, which takes most of the time."""
    read = read_story(text, desk.kb)

    def network(panel: str) -> object:
        return desk.engines.setdefault(panel, engine_for(desk.kb, panel)).network

    built = build(desk.session, read, desk.kb, network)
    return HeardStory(desk=replace(desk, session=built.session), read=read, built=built, answer=None)


def score(listed: list[dict], kb: object, engines: dict, *, compare: bool = True, rank: bool = True) -> Score:
    """Read every story and count; ``rank``: answer each case, ``compare``: with that of its hand-made one."""
    found = Score()
    for story in listed:
        heard = (hear_story if rank else _unranked)(Desk(kb=kb, engines=engines), story["text"])
        found.stories += 1
        found.ranked += not rank or bool(heard.answer.ranking)
        found.sentences += len(heard.read)
        wrong = dict(misread(story, heard))
        for key in story["expects"]:
            found.keys += 1
            if met(key, heard):
                found.met += 1
            else:
                at = int(key.split(" ")[0]) - 1
                found.asked += any(piece.kind == "asked" for piece in heard.read[at].pieces)
                found.spoiled += at in wrong and not any(p.kind == "asked" for p in heard.read[at].pieces)
                found.notes.append(
                    f"{story['id']} missed: {key} | {heard.read[int(key.split(' ')[0]) - 1].text}"
                )
        found.wrong += len(wrong)
        found.notes += [
            f"{story['id']} wrong: s{at + 1} {what} | {heard.read[at].text}" for at, what in wrong.items()
        ]
        if rank and compare and story["case"]:
            from diagnose import answer_case

            case = hand_made(story)
            desk = Desk(kb=kb, engines=engines)
            engine = desk.change(panel=case.panel).engine
            first = answer_case(kb, case, engine).ranking[0].failures
            found.compared += 1
            if first == heard.answer.ranking[0].failures:
                found.same += 1
            else:
                found.notes.append(f"{story['id']} first: {heard.answer.ranking[0].failures} by hand {first}")
    return found


def remarks(kb: object) -> dict[str, dict[str, list[str]]]:
    """Short remarks by kind: which were taken in right, asked back, not used, or taken wrong."""
    counted: dict[str, dict[str, list[str]]] = {}
    for kind, rows in tomllib.loads((DATA / "remarks.toml").read_text(encoding="utf-8")).items():
        for text, wanted in rows:
            pieces = [piece for sentence in read_story(text, kb) for piece in sentence.pieces]
            told = [piece for piece in pieces if piece.kind in EVIDENCE]
            found = {
                "rest" if p.kind == "rest" else f"{p.facet}.{'!' if p.sure < 0.5 else ''}{p.reading}"
                for p in told
            }
            asked = any(piece.kind == "asked" for piece in pieces)
            if (
                wanted in found
                or (wanted == "none" and not told and not asked)
                or (wanted == "ask" and asked and not told)
            ):
                outcome = "right"
            else:
                outcome = "wrong" if told else "asked" if asked else "not used"
            counted.setdefault(kind, {}).setdefault(outcome, []).append(text)
    return counted
