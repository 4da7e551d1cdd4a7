"""The running server: what it answers, and whom it turns away."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from page_server import KEY, SCALE, Running, document, feature, square

from dieplat.annotate.guard import COOKIE, HEADER
from dieplat.annotate.session import stated_beside
from dieplat.annotations import load_regions
from dieplat.mosaicfile.read import Mosaic
from dieplat.survey import measure_survey
from dieplat.values.electrical import Surroundings
from dieplat.values.stated import Stated


def test_the_link_sets_a_cookie_and_leaves_the_address_bar(server: Running) -> None:
    status, headers, _ = server.ask("GET", f"/?key={KEY}", key=None)
    assert (status, headers["location"]) == (303, "/")
    cookie = headers["set-cookie"]
    assert cookie.startswith(f"{COOKIE}={KEY};")
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()


def test_the_picture_by_the_open_standard(server: Running) -> None:
    found = server.json("GET", "/iiif/0/info.json")
    assert (found["width"], found["height"], found["profile"]) == (1500, 1100, "level2")
    status, headers, data = server.ask("GET", "/iiif/0/0,0,1024,1024/512,512/0/default.jpg")
    assert (status, headers["content-type"], data[:2]) == (200, "image/jpeg", b"\xff\xd8")
    toned = server.ask("GET", "/iiif/0@0-128-1/0,0,512,512/max/0/default.jpg")
    plain = server.ask("GET", "/iiif/0/0,0,512,512/max/0/default.jpg")
    assert toned[0] == 200
    assert toned[2] != plain[2]


def test_a_drawing_is_saved_on_the_version_that_was_seen(server: Running) -> None:
    found = server.json("GET", "/drawing")
    changed = found["document"]
    changed["features"][1]["geometry"] = square(200, 200, 320)
    saved = server.json("PUT", "/drawing", changed, If_Match=f'"{found["version"]}"')
    on_disk = json.loads(server.drawing.read_text(encoding="utf-8"))
    assert on_disk["features"][1]["properties"]["colour_of_my_own"] == "teal"
    assert on_disk["features"][1]["geometry"] == square(200, 200, 320)
    status, _, data = server.ask("PUT", "/drawing", changed, If_Match=f'"{found["version"]}"')
    assert status == 412
    assert "changed elsewhere" in json.loads(data)["error"]
    assert server.ask("GET", "/drawing", If_None_Match=f'"{saved["version"]}"')[0] == 304


def test_numbers_equal_those_of_measure_to_the_last_digit(server: Running, mosaic: Mosaic, tmp_path: Path) -> None:
    drawn = server.json("GET", "/drawing")["document"]
    ring = [[211.3, 208.75], [502.1, 215.0], [489.6, 555.5], [230.25, 541.2], [211.3, 208.75]]
    drawn["features"].append(feature("Odd", "analog", {"type": "Polygon", "coordinates": [ring]}))
    live = server.json("POST", "/numbers", {"document": drawn})
    path = tmp_path / "same.geojson"
    path.write_text(json.dumps(drawn), encoding="utf-8")
    measured = json.loads(json.dumps(measure_survey(mosaic, load_regions(path), SCALE).to_dict()))
    assert live["blocks"][0] is None
    assert live["blocks"][1:] == measured["blocks"]
    assert live["die"] == measured["die"]
    assert live["unassigned_um2"] == measured["unassigned_um2"]


def test_arrays_and_inductors_wait_until_they_are_asked_for(server: Running) -> None:
    drawn = document(feature("RAM", "memory_array", square(200, 200, 300)))
    live = server.json("POST", "/numbers", {"document": drawn})
    assert live["blocks"][0]["area_um2"] == pytest.approx(150.0**2)
    assert not any("RAM" in text for text in live["warnings"])
    full = server.json("POST", "/details", {"document": drawn, "index": 0})
    assert full["block"]["array"] is None
    assert any("RAM" in text for text in full["warnings"])


def test_outlines_are_joined_taken_out_and_cut(server: Running) -> None:
    line = {"type": "LineString", "coordinates": [[40, -10], [40, 200]]}
    drawn = document(
        feature("A", "logic", square(0, 0, 100)),
        feature("B", "logic", square(50, 50, 100)),
        feature("Cut", "trace", line),
        feature("Inner", "other", square(20, 20, 30)),
    )

    def combined(how: str, first: int, second: int) -> list[dict[str, object]]:
        return server.json("POST", "/combine", {"document": drawn, "indices": [first, second], "how": how})[
            "geometries"
        ]

    joined = combined("join", 0, 1)
    holed = combined("take_out", 0, 3)
    halves = combined("cut", 0, 2)
    areas = [live["area_um2"] for live in _blocks(server, [*joined, *holed, *halves])]
    assert areas == pytest.approx([4375.0, 2275.0, 1000.0, 1500.0])
    status, _, data = server.ask("POST", "/combine", {"document": drawn, "indices": [0, 1], "how": "melt"})
    assert status == 400
    assert "take_out" in json.loads(data)["error"]


def _blocks(server: Running, geometries: list[dict[str, object]]) -> list[dict[str, float]]:
    drawn = document(*(feature(f"N{k}", "logic", g) for k, g in enumerate(geometries)))  # type: ignore[arg-type]
    return list(server.json("POST", "/numbers", {"document": drawn})["blocks"])


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/numbers", b"{"),
        ("/numbers", b"[]"),
        ("/numbers", b"{}"),
        ("/details", b'{"document": {"type": "FeatureCollection", "features": []}, "index": 3}'),
        ("/details", b'{"document": {"type": "FeatureCollection", "features": []}, "index": "x"}'),
        ("/combine", b'{"document": 5, "indices": [0, 1], "how": "join"}'),
        ("/numbers", b'{"document": {"type": "FeatureCollection", "features": [5]}}'),
        ("/numbers", b"[" * 100_000),
    ],
)
def test_nonsense_gets_one_line(server: Running, path: str, body: bytes) -> None:
    status, _, data = server.ask("POST", path, body)
    assert status == 400
    assert "\n" not in json.loads(data)["error"]


class TestTurnedAway:
    """Host, Origin, key and size are checked before anything is done (DNS rebinding, cross-site requests)."""

    def test_without_the_key(self, server: Running) -> None:
        for path in ("/", "/drawing", "/setup", "/iiif/0/info.json", "/page/page.js"):
            assert server.ask("GET", path, key=None)[0] == 403
        assert server.ask("GET", "/?key=guessed", key=None)[0] == 403
        assert server.ask("GET", "/drawing", key="guessed")[0] == 403

    def test_under_another_name(self, server: Running) -> None:
        for host in ("evil.example", f"evil.example:{server.port}", "127.0.0.1", ""):
            assert server.ask("GET", "/drawing", Host=host)[0] == 400

    def test_from_another_site(self, server: Running) -> None:
        assert server.ask("GET", "/drawing", Origin="http://evil.example")[0] == 403
        assert server.ask("GET", "/drawing", Sec_Fetch_Site="cross-site")[0] == 403
        assert server.ask("GET", "/drawing", Sec_Fetch_Site="same-site")[0] == 403
        assert server.ask("GET", "/drawing", Origin=f"http://127.0.0.1:{server.port}")[0] == 200

    def test_a_change_without_the_header(self, server: Running) -> None:
        before = server.drawing.read_bytes()
        status = server.ask("PUT", "/drawing", document(), key=None, Cookie=f"{COOKIE}={KEY}", If_Match='"x"')[0]
        assert status == 403
        assert server.drawing.read_bytes() == before

    def test_out_of_the_page_folder(self, server: Running) -> None:
        for name in ("../server.py", "..%2fserver.py", "%2e%2e/server.py", "server.py", "page.js/../../server.py"):
            assert server.ask("GET", f"/page/{name}")[0] == 404

    def test_pictures_that_are_not_there(self, server: Running) -> None:
        for name in ("1", "-1", "x", "0@1-0-1", "99999999999"):
            assert server.ask("GET", f"/iiif/{name}/info.json")[0] == 400

    def test_more_than_is_taken(self, server: Running) -> None:
        assert server.ask("PUT", "/drawing", b"x", Content_Length=str(10**9))[0] == 413
        assert server.ask("GET", "/drawing", Content_Length="-5")[0] in (400, 413)

    def test_other_ways_of_asking(self, server: Running) -> None:
        assert server.ask("DELETE", "/drawing")[0] == 405
        assert server.ask("POST", "/drawing", document(), **{HEADER: KEY})[0] == 405


def test_the_page_assumes_what_the_survey_was_told(tmp_path: Path) -> None:
    told = Stated(
        frequency_hz=5.8e9, thickness_um=2.8, surroundings=Surroundings(metal="cu", oxide_um=(4.0, 6.0)), find_die=False
    )
    (tmp_path / "survey_state.json").write_text(json.dumps({"stated": told.to_dict()}), encoding="utf-8")
    assert stated_beside(tmp_path / "mosaic.ome.tif") == told
    (tmp_path / "survey_state.json").write_text('{"stated": {"colour": 3}}', encoding="utf-8")
    assert stated_beside(tmp_path / "mosaic.ome.tif") == Stated()
    assert stated_beside(tmp_path / "elsewhere" / "mosaic.ome.tif") == Stated()
