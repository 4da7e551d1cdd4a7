"""Invented test dies with everything known: tiles, micrometer picture, annotations and truth."""

from dieplat.phantom.make import make_phantom, plan_phantom
from dieplat.phantom.scenario import PRESETS, Scenario, scenario_for
from dieplat.phantom.truth import Truth, render_truth_window

__all__ = [
    "PRESETS",
    "Scenario",
    "Truth",
    "make_phantom",
    "plan_phantom",
    "render_truth_window",
    "scenario_for",
]
