"""The marks on the photographs, and the crops that training makes of them."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from models.train_bar.crops import CROP_PX, STORE_PX
from models.train_bar.faces import printed
from models.train_bar.photos import MARKS, SHARES, SLEEVE_ST, Photo, crop, cut_by_frame, load
from repcount.tracking.bar_net import cropped

ROWS = json.loads(MARKS.read_text())["pictures"]


def photo(**changes: object) -> Photo:
    """A grey frame with a bright spot at each end of the bar."""
    picture = np.full((400, 600, 3), 90, np.uint8)
    ends = np.array([[150.0, 120.0], [450.0, 140.0]])
    for x, y in ends.astype(int):
        picture[y - 3 : y + 4, x - 3 : x + 4] = 255
    made = Photo(
        "made up", picture, np.array([60.0, -40.0, 560.0, 460.0]), ends, np.array([40.0, 44.0]),
        np.array([0.85, 0.85]), np.zeros(2, bool), np.zeros(2, bool), False,
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def test_every_mark_lies_in_its_image_with_left_before_right() -> None:
    assert len({row["file"] for row in ROWS}) == len(ROWS)
    for row in ROWS:
        places = []
        for side in ("left", "right"):
            end = row["ends"][side]
            assert end["visible"] in SHARES
            assert (end["centre"] is None) == (end["visible"] == "no"), row["file"]
            if end["centre"] is not None:
                x, y = end["centre"]
                assert 0 <= x < row["width"], row["file"]
                assert 0 <= y < row["height"], row["file"]
                assert 0 <= end["semi_axis"] < row["height"] / 2
                places.append(x)
        assert places == sorted(places), row["file"]


def test_no_series_is_both_trained_on_and_held_back() -> None:
    held = {row["series"] for row in ROWS if row["held_back"]}
    assert held
    assert not held & {row["series"] for row in ROWS if not row["held_back"]}
    pairs = {row["file"].split("/")[0]: set() for row in ROWS}
    for row in ROWS:
        pairs[row["file"].split("/")[0]].add(row["held_back"])
    assert all(len(kinds) == 1 for kinds in pairs.values())


def test_the_crop_shows_the_ends_where_its_labels_say() -> None:
    picture, ends, semi, _ = crop(photo(), None)
    zoom = CROP_PX / 500
    assert semi == pytest.approx(np.array([40, 44]) * zoom)
    for x, y in ends:
        spot = picture[int(y) - 4 : int(y) + 5, int(x) - 4 : int(x) + 5, 0].astype(float) - 90
        rows, columns = np.mgrid[int(y) - 4 : int(y) + 5, int(x) - 4 : int(x) + 5]
        assert (columns * spot).sum() / spot.sum() == pytest.approx(x, abs=0.6)
        assert (rows * spot).sum() / spot.sum() == pytest.approx(y, abs=0.6)


def test_the_crop_is_what_the_package_shows_the_network() -> None:
    """Against `bar_net.cropped`, which is written independently of it."""
    one = photo()
    picture, _, _, _ = crop(one, None)
    margin = (STORE_PX - CROP_PX) // 2
    inner = picture[margin : margin + CROP_PX, margin : margin + CROP_PX].astype(int)
    shown = cropped(one.picture, one.square[:2], 500.0).astype(int)
    assert np.abs(inner - shown).mean() < 2.0


def test_what_the_frame_cuts_off_is_not_to_be_found() -> None:
    rng, seen = np.random.default_rng(5), []
    one = photo(ends=np.array([[20.0, 120.0], [450.0, 140.0]]))
    for _ in range(200):
        picture, visible = cut_by_frame(rng, one)
        gone = bool((picture[120, 20] == 127).all())
        seen.append(gone)
        assert (visible[0] < 0.12) if gone else (visible[0] > 0.12 or visible[0] >= 0.1 * 0.85)
    assert any(seen)
    assert not all(seen)


def test_print_and_wear_stay_on_the_plates() -> None:
    tags = np.zeros((200, 300), np.uint8)
    tags[60:140, 40:110], tags[50:120, 200:260] = 11, 12
    corners = [[40.0, 60.0], [110.0, 60.0], [110.0, 140.0], [40.0, 140.0]]
    picture, changed = np.full((200, 300, 3), 120, np.uint8), 0
    for seed in range(20):
        out = printed(np.random.default_rng(seed), picture, tags, [(1, np.array(corners))], 10)
        assert (out[tags == 0] == 120).all()
        changed += bool((out[tags == 11] != 120).any())
    assert changed > 10
    assert (picture == 120).all()


def test_no_print_where_the_plates_are_hidden() -> None:
    square = np.array([[40.0, 60.0], [110.0, 60.0], [110.0, 140.0], [40.0, 140.0]])
    picture, tags = np.full((200, 300, 3), 120, np.uint8), np.zeros((200, 300), np.uint8)
    for seed in range(10):
        out = printed(np.random.default_rng(seed), picture, tags, [(1, square)], 10)
        assert (out == picture).all()


def test_a_bare_bar_has_its_sleeve_for_a_plate(tmp_path: object) -> None:
    row = next(row for row in ROWS if row["note"] == "bare bar")
    import cv2

    folder = MARKS.parent / "nowhere"
    with pytest.raises(FileNotFoundError, match="no such photograph"):
        load(folder)
    from pathlib import Path

    path = Path(str(tmp_path)) / row["file"]
    path.parent.mkdir(parents=True)
    cv2.imwrite(str(path), np.zeros((row["height"], row["width"], 3), np.uint8))
    marks = Path(str(tmp_path)) / "marks.json"
    marks.write_text(json.dumps({"pictures": [row]}))
    one = load(Path(str(tmp_path)), marks)[0]
    stature = (row["square"][2] - row["square"][0]) / 2.05
    assert np.nanmax(one.semi_axis) == pytest.approx(SLEEVE_ST * stature)
