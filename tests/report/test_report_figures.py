"""Figures: the data behind each picture by equality; of the drawing only that it is a PNG and repeats its bytes."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from sample_run import nothing, ruled, run, sampled

from explorer.domain.space import Objective
from explorer.report import figure_data as data
from explorer.report import figures


def test_the_index_frame_by_hand():
    """Catches metrics and knobs swapped, and a constant metric drawn as zero."""
    result = run()
    frame = data.index_frame(result.indices, result.space, "shapley")
    assert list(frame.columns) == ["front bar", "rear spring"]
    assert list(frame.index) == ["response lag", "grip margin (worst phase)", "hairpin: roll angle", "bite"]
    assert frame.loc["hairpin: roll angle"].tolist() == pytest.approx([1.0, 0.0], abs=1e-12)
    assert frame.loc["response lag", "front bar"] == pytest.approx(30 / 31)
    assert frame.loc["bite"].isna().all()


def test_the_best_index_is_chosen():
    """Catches total indices drawn under the name of Shapley effects."""
    assert data.index_kind(run().indices) == "shapley"
    assert data.index_kind(sampled().indices) == "total"
    assert data.index_kind(replace(run().indices, shapley=None, total=None, first=None)) == ""


def test_the_pair_frame_fills_below_the_diagonal():
    """Catches a transposed or doubled triangle."""
    result = run()
    frame = data.pair_frame(result.indices, result.space, "grip_margin_pct")
    assert list(frame.index) == ["rear spring"] and list(frame.columns) == ["front bar"]
    assert frame.iloc[0, 0] == pytest.approx((5 / 6) / (5 + 1.5 + 5 / 6))


def test_the_map_data_by_hand():
    """Catches marks at level numbers of the wrong axis, limits with the wrong sign, and an answer where none is."""
    result = run()
    picture = data.map_drawing(result.maps[0], result)
    assert picture.marks == (("B", 1.0, 1.0), ("1", 3.0, 2.0), ("2", 1.0, 2.0))
    assert picture.values[1].tolist() == [1.0, 0.0, -1.0, -2.0]
    assert not picture.valid[2, 3] and picture.valid.sum() == 11
    texts = [text for text, _ in picture.broken]
    assert texts == ["hairpin: roll angle at most 3 deg", "clearance (worst phase) at least 2 mm"]
    assert picture.broken[0][1].tolist() == [[True, False, False, False]] * 3
    assert picture.broken[1][1].tolist() == [[True] * 4, [False] * 4, [False] * 4]
    assert picture.worst.tolist() == [[0, 1, 1, 1], [0, -1, -1, -1], [0, -1, -1, -1]]
    assert (picture.x_label, picture.y_label) == ("front bar, mm", "rear spring")
    assert picture.value_label == "hairpin: balance, %"


def test_borders_run_between_kept_and_broken_cells():
    """Catches a limit drawn one cell off."""
    cells = np.array([[True, False], [True, True]])
    assert figures._borders(cells) == [((1, 1), (0, 1)), ((1, 2), (1, 1))]
    assert figures._borders(np.ones((2, 2), dtype=bool)) == []


def test_the_front_data_has_distinct_points_units_and_marks():
    """Catches ties drawn as points, and axes without unit or direction."""
    result = run()
    picture = data.front_drawing(result.front, result)
    assert list(picture.points.columns) == [
        "response lag, ms (lower is better)",
        "grip margin (worst phase), % (higher is better)",
    ]
    assert picture.points.values.tolist() == [[23.0, 7.0], [25.0, 10.0], [27.0, 13.0]]
    assert picture.marks == (("1", (23.0, 7.0)), ("2", (27.0, 13.0)), ("B", (27.5, 11.0)))
    assert picture.title.startswith("Front of all setups: 3 distinct points")
    assert "not exact" in data.front_drawing(sampled().front, sampled()).title


def test_the_front_stands_in_all_setups_that_keep_the_limits():
    """Catches a front without the setups it is the edge of, broken setups among them, and a picture without its
    headline."""
    result = run()
    picture = data.front_drawing(result.front, result)
    assert (
        len(picture.cloud) == result.counts.feasible and f"the {result.counts.feasible} of 12 setups" in picture.title
    )
    front = {tuple(row) for row in picture.points.to_numpy()}
    assert front <= {tuple(row) for row in picture.cloud}
    assert picture.headline == "Take 2, highest grip: rear spring soft | <b> =x to 0.72."
    assert figures.draw_front(picture) != figures.draw_front(replace(picture, cloud=picture.cloud[:0]))


def test_a_huge_front_is_thinned_and_says_so(monkeypatch):
    """Catches a thinned picture that passes for the whole front."""
    monkeypatch.setattr(data, "FRONT_POINTS", 2)
    result = run()
    picture = data.front_drawing(result.front, result)
    assert len(picture.points) == 2 and "one in 2 drawn" in picture.title


def test_the_change_data_by_hand():
    """Catches colours in real units, texts in felt differences (5 ms), and forbidden steps shown."""
    result = run()
    picture = data.change_drawing(result.one_change, result.space)
    assert [index.split(" to ")[1] for index in picture.scaled.index] == ["1.2 mm", "none", "0.72"]
    assert picture.scaled["response lag, ms"].tolist()[:2] == [-0.4, 0.4]
    assert picture.texts["response lag, ms"].tolist() == ["-2.0", "+2.0", ""]
    assert picture.scaled.iloc[2].isna().all()


def test_drawings_repeat_their_bytes_():
    """Catches a time stamp, a version or a random offset in a picture."""
    result = run()
    once, again = figures.draw_all(result), figures.draw_all(result)
    assert once == again and set(once) == set(data.figure_stems(result))
    for picture in once.values():
        assert picture.startswith(b"\x89PNG") and b"Software" not in picture and b"tIME" not in picture


@pytest.mark.parametrize("make", [nothing, ruled, sampled])
def test_every_kind_of_run_can_be_drawn(make):
    """Catches drawings that need a shortlist, pairs or a front that this run does not have."""
    result = make()
    assert set(figures.draw_all(result)) == set(data.figure_stems(result))
    assert ("front" in data.figure_stems(result)) == (make is not nothing)


def test_odd_pictures_can_be_drawn():
    """Catches a crash on an all-missing map, one objective, four objectives, a dollar sign, a flat front."""
    result = run()
    picture = data.map_drawing(result.maps[0], result)
    blank = replace(picture, title="cost in $ and $", valid=np.zeros((3, 4), dtype=bool), worst=np.full((3, 4), -1))
    assert figures.draw_map(blank).startswith(b"\x89PNG")
    names = [Objective(name, -1, 1.0).metric for name in ("a", "b", "c", "d")]
    for width in (1, 4):
        points = pd.DataFrame(np.ones((1, width)), columns=names[:width])
        marks = tuple((str(n), (1.0,) * width) for n in range(9))
        assert figures.draw_front(data.FrontDrawing("t", points, marks)).startswith(b"\x89PNG")


def test_the_users_matplotlib_settings_do_not_matter():
    """Catches a drawing that follows a local matplotlibrc."""
    import matplotlib

    result = run()
    drawing = data.front_drawing(result.front, result)
    plain = figures.draw_front(drawing)
    with matplotlib.rc_context({"font.size": 23.0, "axes.facecolor": "black", "savefig.dpi": 33}):
        assert figures.draw_front(drawing) == plain
