"""`dieplat inductance` as a person or a script meets it."""

from __future__ import annotations

import json
import sys

import pytest

from dieplat_cli.app import main

OCTAGON = ["--shape", "octagon", "--turns", "3", "--outer-um", "250", "--width-um", "10", "--spacing-um", "2"]


@pytest.fixture
def run(monkeypatch, capsys):
    def call(*arguments):
        monkeypatch.setattr(sys, "argv", ["dieplat", "inductance", *arguments])
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        return ended.value.code or 0, said.out, said.err

    return call


def test_json_is_the_inductor_object(run):
    status, out, err = run(*OCTAGON, "--thickness-um", "3", "--json")
    assert (status, err) == (0, "")
    facts = json.loads(out)
    assert facts["shape"] == "octagon"
    assert facts["method"] == "given"
    assert facts["inner_um"] == 182
    # Independent numeric solution (computed, not published): 3.2921 nH.
    assert facts["inductance_nh"] == pytest.approx(3.2921, rel=1e-3)
    assert 0 < facts["inductance_nh_u"] < 0.1
    assert facts["capacitance_at_pf"] is None


def test_a_frequency_gives_the_tuning_capacitance_and_the_quality_with_its_range(run):
    _, out, _ = run(*OCTAGON, "--frequency-hz", "2.44e9", "--metal", "al", "--json")
    facts = json.loads(out)
    assert facts["capacitance_at_pf"] == pytest.approx(1.278, abs=2e-3)
    at = facts["q_at"]
    assert at["frequency_hz"] == 2.44e9
    assert 2 < at["quality"]["low"] < at["quality"]["value"] < at["quality"]["high"] < 60
    assert at["inductance_nh"]["value"] < facts["inductance_nh"]
    # Octagon of 3 turns: 515 um of mean length a turn less the steps, 10 um wide, 2 um of 2.65e-8 ohm m.
    assert facts["resistance_ohm"] == pytest.approx(2.65e-2 / 2 * 8 * 0.4142 * 648 / 10, rel=2e-2)
    assert {"metal thickness", "relative permittivity"} <= {line["name"] for line in facts["electrical"]["assumed"]}


def test_what_is_said_of_the_surroundings_narrows_the_ranges(run):
    wide = json.loads(run(*OCTAGON, "--json")[1])
    said = ["--sheet-ohm", "0.012", "--oxide-um", "4:5", "--permittivity", "3.9:4", "--substrate-ohm-cm", "10:12"]
    narrow = json.loads(run(*OCTAGON, *said, "--json")[1])
    for key in ("resistance_ohm", "self_resonance_hz"):
        span = [facts[f"{key}_high"] / facts[f"{key}_low"] for facts in (wide, narrow)]
        assert span[1] < 0.8 * span[0]
    assert narrow["inductance_nh"] == wide["inductance_nh"]


def test_without_a_metal_there_is_no_quality(run):
    _, out, _ = run(*OCTAGON, "--metal", "none")
    assert "not given: no metal was assumed" in out
    assert "largest Q" not in out


def test_a_ground_plane_lowers_the_inductance(run):
    over = json.loads(run(*OCTAGON, "--ground-um", "8", "--json")[1])
    free = json.loads(run(*OCTAGON, "--json")[1])
    assert over["inductance_nh"] < 0.7 * free["inductance_nh"]
    assert over["ground_depth_um"] == 8
    assert free["ground_depth_um"] is None


def test_a_person_reads_estimates_uncertainty_and_assumptions(run):
    status, out, err = run(*OCTAGON, "--frequency-hz", "2.44e9")
    assert (status, err) == (0, "")
    for word in (
        "segment sum",
        "current sheet",
        "modified Wheeler",
        "monomial",
        "standard uncertainty",
        "thickness",
        "The segment sum is the best estimate",
        "self-resonance",
        "largest Q",
        "oxide under the metal: 4 (2 to 8) um",
    ):
        assert word in out
    assert "tuned at" in out


def test_a_circle_shows_what_is_not_defined(run):
    arguments = ["--shape", "circle", *OCTAGON[2:]]
    _, out, _ = run(*arguments)
    assert out.count("not defined") == 2
    facts = json.loads(run(*arguments, "--json")[1])
    assert facts["estimates"]["monomial"] is None


@pytest.mark.parametrize(
    ("option", "value"),
    [("--turns", "30"), ("--turns", "nan"), ("--outer-um", "-1"), ("--width-um", "0"), ("--spacing-um", "-2"),
     ("--thickness-um", "0"), ("--frequency-hz", "0"), ("--oxide-um", "6:3"), ("--sheet-ohm", "many"),
     ("--permittivity", "0"), ("--substrate-ohm-cm", "1:2:3"), ("--ground-um", "0.5"), ("--ground-um", "nan")],
)  # fmt: skip
def test_bad_geometry_ends_in_one_line_and_status_1(run, option, value):
    status, out, err = run(*OCTAGON, option, value)
    assert (status, out) == (1, "")
    assert err.startswith("dieplat: ")
    assert err.count("\n") == 1


def test_wrong_usage_is_status_2(run):
    assert run("--shape", "triangle", *OCTAGON[2:])[0] == 2
    assert run("--shape", "square")[0] == 2


def test_help_shows_examples(run):
    status, out, _ = run("--help")
    assert status == 0
    assert "Examples" in out
