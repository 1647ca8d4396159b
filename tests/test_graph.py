"""A graph that was begun early is the one that is opened, and its fault is told where it is opened."""

from __future__ import annotations

from pathlib import Path

import pytest

from wearvision.graph import begin_graph, open_graph

MODEL = Path(__file__).parents[1] / "models" / "mixed-2" / "model.onnx"


def test_begun_graph_is_taken_over_once() -> None:
    begin_graph(MODEL)
    first, second = open_graph(MODEL), open_graph(MODEL)
    assert first is not second
    assert [one.name for one in first.get_outputs()] == [one.name for one in second.get_outputs()]


def test_fault_of_a_begun_graph_is_told_where_it_is_opened(tmp_path: Path) -> None:
    broken = tmp_path / "model.onnx"
    broken.write_bytes(b"no graph")
    begin_graph(broken)
    with pytest.raises(Exception, match=r"(?i)protobuf|invalid"):
        open_graph(broken)
