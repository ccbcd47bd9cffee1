"""The block of a group: what differs between plants is told, and no figure is made up."""

from __future__ import annotations

from dataclasses import asdict, replace

from pipelines.words.group import Plant, block, differences, from_json

NORTH = Plant("north", 812, "D50, 2 degrees", "M1", "0003", "2026-03-31", error=1.42, asked=0.31)
PLANTS = [
    NORTH,
    replace(NORTH, name="south"),
    replace(NORTH, name="east", viewing="D65, 10 degrees"),
]


def test_a_plant_under_another_light_or_condition_is_told():
    (line,) = differences(PLANTS)
    assert line.startswith("east gives its colours under D65, 10 degrees")
    (line,) = differences([NORTH, PLANTS[1], replace(NORTH, name="west", condition="M0")])
    assert line.startswith("west measures under condition M0")
    assert differences([NORTH, replace(NORTH, condition=None)]) == []


def test_what_is_not_known_is_a_dash_and_why_a_plant_is_missing_comes_last():
    lines = block("At a glance, us", [replace(NORTH, error=None)], {"east": "no answer"}, 2)
    assert lines[0] == "At a glance, us: 1 of 2 plants."
    cells = "north 812 0003 of 2026-03-31 - - 31 of 100 asked for, 69 spared not looked for"
    assert " ".join(lines[2].split()) == cells
    assert lines[-1] == "Not done: east: no answer."


def test_a_plant_kept_as_json_is_the_same():
    plant = replace(NORTH, kinds=[("the job", 5, 1.0, 0.9)], curve=[(80, 2.0)], drift=["x"])
    assert from_json(asdict(plant)) == plant
