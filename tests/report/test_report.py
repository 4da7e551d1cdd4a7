"""report.html: one file that says what the JSON files hold, in words that a person can read."""

from __future__ import annotations

import itertools
import json
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path

import pytest

from dieplat.errors import AnnotationError, MosaicError, OutputExistsError, SettingsError
from dieplat.files import is_ours
from dieplat.report import rebuild, write_report
from dieplat.report.content import build_content
from dieplat.report.folder import read_outputs
from dieplat.report.sheets import inductor_sheet, plain_small


class Page(HTMLParser):
    """The visible text, the tags and the attributes that could reach outside."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._quiet = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._quiet = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self._quiet = False

    def handle_data(self, data: str) -> None:
        if not self._quiet:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def page(full_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Page:
    path = write_report(full_folder, tmp_path_factory.mktemp("page") / "report.html")
    return Page(path.read_text(encoding="utf-8"))


def test_the_page_is_ours_and_below_five_megabytes(full_folder: Path, tmp_path: Path) -> None:
    path = write_report(full_folder, tmp_path / "report.html")
    assert is_ours(path)
    assert path.stat().st_size < 5_000_000


def test_nothing_points_outside(page: Page) -> None:
    for tag, attributes in page.tags:
        assert tag not in ("script", "iframe", "object", "embed")
        for name in ("src", "href", "srcset", "poster", "action", "data"):
            value = attributes.get(name)
            assert value is None or value.startswith(("#", "data:")), f"{tag} {name}={value[:40]}"


def test_every_picture_has_words(page: Page) -> None:
    pictures = [attributes for tag, attributes in page.tags if tag == "img"]
    assert len(pictures) == 4  # the map, the coil, the array and its cells
    assert all(len(str(attributes.get("alt"))) > 10 for attributes in pictures)
    named = [a for tag, a in page.tags if tag == "svg" and a.get("aria-hidden") != "true"]
    assert named
    assert all(attributes.get("aria-label") for attributes in named)


def test_headings_go_down_one_step_at_a_time(page: Page) -> None:
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(deeper - level <= 1 for level, deeper in itertools.pairwise(levels))


@pytest.mark.parametrize(
    "words",
    [
        "The die measures 560.0 µm by 410.0 µm; its area is 0.2296 ± 0.0014 mm²",
        "2.00 ± 0.12 nH",
        "capacitance of 2.124 pF it resonates at 2.442 GHz",
        "7.000 ± 0.020 µm",
        "900 cells",
        "30 × 30",
        "220.0 ± 1.2 µm",
        "Receiver: touches Core logic.",
        "0.50000 ± 0.00080 µm per pixel",
        "Metal thickness 2.0 µm.",
        "r1_c1.png ambiguous would fit as well at x 294.0, y 281.0 px",
        "r0_c3.png placed by the stage",
        "notes.txt : not a picture",
        "6 of 9",
        "Synthesizer <coil> & more",
        "tiles/r0_c0.png",
        "3.0 · 10⁻⁵ µm/px",
    ],
)
def test_the_numbers_of_the_files_are_on_the_page(page: Page, words: str) -> None:
    assert words in page.text


def test_names_cannot_become_markup(full_folder: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(full_folder, tmp_path / "copy")
    evil = "<img src=x onerror=alert(1)>"
    for name in ("measurements.json", "blocks.geojson", "layout.json", "survey_state.json"):
        path = folder / name
        text = path.read_text(encoding="utf-8")
        for old in ("Core logic", "The invented Marmot M1", "notes.txt", "r1_c1.png"):
            text = text.replace(old, evil)
        path.write_text(text, encoding="utf-8")
    page = Page(write_report(folder).read_text(encoding="utf-8"))
    assert not [attributes for _, attributes in page.tags if "onerror" in attributes]
    assert evil in page.text


def test_missing_parts_leave_no_holes(bare_folder: Path, tmp_path: Path) -> None:
    page = Page(write_report(bare_folder, tmp_path / "r.html").read_text(encoding="utf-8"))
    assert "No die was measured" in page.text
    for absent in ("Inductors", "Memory arrays", "Traces", "How well the tiles fit", "None", "nan"):
        assert absent not in page.text


def test_sums_of_the_shares_reach_the_die(full_folder: Path) -> None:
    content = build_content(read_outputs(full_folder), version="0")
    assert sum(share for _, _, share in content.shares) == pytest.approx(1.0)
    assert content.shares[-1][0] == "unassigned"


def test_a_scale_without_tolerance_is_called_out(full_folder: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(full_folder, tmp_path / "copy")
    scale = json.loads((folder / "scale.json").read_text(encoding="utf-8"))
    (folder / "scale.json").write_text(json.dumps({**scale, "pitch_um_u": 0.0}), encoding="utf-8")
    alerts = build_content(read_outputs(folder), version="0").alerts
    assert any("tolerance was not given" in alert for alert in alerts)


def test_resonance_of_one_nanohenry_and_one_picofarad() -> None:
    # f = 1/(2 pi sqrt(L C)): 1 nH with 1 pF gives 5.032921 GHz (recomputed from the formula by hand).
    coil = {"shape": "square", "turns": 3, "outer_um": 200.0, "inner_um": 100.0, "width_um": 10.0}
    coil |= {"spacing_um": 5.0, "method": "given", "inductance_nh": 1.0, "inductance_nh_u": 0.02}
    sheet = inductor_sheet({"name": "L1", "kind": "rf_inductor", "inductor": coil})
    assert "near 5.033 GHz" in sheet.remarks[0]


@pytest.mark.parametrize(
    ("value", "said"), [(0.00012, "0.00012"), (3.04e-5, "3.0 · 10⁻⁵"), (9.99e-6, "1.0 · 10⁻⁵"), (0.0, "0")]
)
def test_small_contributions_stay_readable(value: float, said: str) -> None:
    assert plain_small(value) == said


@pytest.mark.parametrize(
    ("name", "text", "error", "message"),
    [
        ("mosaic.ome.tif", None, MosaicError, "no such file; run dieplat survey"),
        ("measurements.json", None, SettingsError, "no such file; run dieplat survey or dieplat measure"),
        ("measurements.json", "{", SettingsError, "is not valid JSON"),
        ("layout.json", "[]", SettingsError, "must hold a JSON object"),
        ("blocks.geojson", "{}", AnnotationError, "blocks.geojson"),
    ],
)
def test_a_damaged_folder_is_named(
    full_folder: Path, tmp_path: Path, name: str, text: str | None, error: type[Exception], message: str
) -> None:
    folder = shutil.copytree(full_folder, tmp_path / "copy")
    if text is None:
        (folder / name).unlink()
    else:
        (folder / name).write_text(text, encoding="utf-8")
    with pytest.raises(error, match=message) as caught:
        rebuild(folder)
    assert name in str(caught.value)


def test_rebuilding_does_not_touch_a_strangers_page(full_folder: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(full_folder, tmp_path / "copy")
    (folder / "report.html").write_text("<p>mine</p>", encoding="utf-8")
    with pytest.raises(OutputExistsError):
        rebuild(folder)
    assert not (folder / "preview.png").exists()
    assert (folder / "report.html").read_text(encoding="utf-8") == "<p>mine</p>"
    preview, page = rebuild(folder, replace=True)
    assert is_ours(preview)
    assert is_ours(page)


def test_the_same_folder_gives_the_same_page(full_folder: Path, tmp_path: Path) -> None:
    first = write_report(full_folder, tmp_path / "a.html").read_bytes()
    assert first == write_report(full_folder, tmp_path / "b.html").read_bytes()
