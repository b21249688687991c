"""What a party takes along follows from why its covers are looked at and what is open on them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.documents.tools import LEAST_P, MOST_BOATS, tools_for
from monitor.inspections import DEFECTS
from monitor.ranking import HAZARDS


def names(hazards, defects):
    return [tool.name for tool in tools_for({"07": hazards}, {"07": defects})]


def test_camera_and_torch_always_go_along():
    assert names({}, []) == ["phone or camera", "torch"]


@pytest.mark.parametrize(
    "hazard, defect, tool",
    [
        ("snow", "snow_lying", "soft broom, long handle"),
        ("slack", "loose_band", "tape measure"),
        ("slack", "loose_belly_band", "band tensioner, spare buckles"),
        ("pocket", "standing_water", "hand pump and hose"),
        ("gust", "tear", "film tape"),
        (None, "vent_lost", "spare vents"),
        ("ice", "stand_shifted", "barrier tape"),
    ],
)
def test_a_tool_is_called_for_by_a_reason_or_by_what_is_open(hazard, defect, tool):
    assert tool in names({}, [defect])
    if hazard is not None:
        assert tool in names({hazard: LEAST_P}, [])
        assert tool not in names({hazard: LEAST_P / 2}, [])


@given(st.dictionaries(st.sampled_from(sorted(HAZARDS)), st.floats(0, 1)))
def test_weather_alone_never_sends_a_heat_tool(hazards):
    assert not [name for name in names(hazards, []) if "heat tool" in name]


@pytest.mark.parametrize("defect", ["tear", "hole", "open_weld", "open_pleat"])
def test_a_heat_tool_comes_with_extinguisher_gloves_and_the_words_who_may_use_it(defect):
    tool = next(tool for tool in tools_for({"07": {}}, {"07": [defect]}) if "heat tool" in tool.name)
    assert tool.name == "heat tool, extinguisher, gloves"
    assert tool.why.startswith("only for those trained for it whom the yard allows it")


@given(st.lists(st.sampled_from(DEFECTS), max_size=4))
def test_no_tool_moves_a_stand(defects):
    taken = " ".join(names({}, defects))
    assert not any(word in taken for word in ("jack", "wedge", "blocking", "wrench"))


def test_a_tool_names_the_boats_it_is_for():
    why = {tool.name: tool.why for tool in tools_for({"07": {"snow": 0.5}, "12": {}}, {"12": ["tear"]})}
    assert why["soft broom, long handle"].endswith(": 07")
    assert why["film tape"].endswith(": 12")
    both = {tool.name: tool.why for tool in tools_for({"07": {"snow": 0.5}, "12": {"snow": 0.5}}, {})}
    assert both["soft broom, long handle"].endswith(": every cover")
    many = {f"{i:02d}": {"snow": 0.5} for i in range(MOST_BOATS + 3)} | {"99": {}}
    why = {tool.name: tool.why for tool in tools_for(many, {})}
    assert why["soft broom, long handle"].endswith(": 00, 01, 02, 03, 04, 05, 06, 07 and 3 more")
