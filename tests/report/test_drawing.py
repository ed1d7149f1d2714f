"""The plan as DXF: millimetres, y upward, one layer per action."""

import builtins

import pytest

from rakelight.core.errors import OutputError
from rakelight.report import drawing
from rakelight.report.worklist import choose_actions


def test_drawing_is_in_mm_with_a_layer_per_action(bench, tmp_path):
    """Read back by the library: no error, unit mm, every pit on the layer of its action."""
    ezdxf = pytest.importorskip("ezdxf")
    document = ezdxf.readfile(drawing.write_drawing(bench, tmp_path / "plan.dxf"))
    assert not document.audit().errors
    assert document.units == ezdxf.units.MM
    actions = choose_actions(bench)
    for action in set(actions):
        shapes = document.modelspace().query(f'LWPOLYLINE[layer=="{action.upper()}"]')
        assert (actions == action).sum() == len(shapes)
    slab = document.modelspace().query('LWPOLYLINE[layer=="SLAB"]')[0]
    assert {(0, 0), (1200, 0), (1200, 700), (0, 700)} == {(x, y) for x, y, *_ in slab.get_points()}


def test_y_runs_up_from_the_front(bench, tmp_path):
    """A pit's number stands beside its place, measured up from the front edge."""
    ezdxf = pytest.importorskip("ezdxf")
    document = ezdxf.readfile(drawing.write_drawing(bench, tmp_path / "plan.dxf"))
    texts = {t.dxf.text: t.dxf.insert for t in document.modelspace().query("TEXT")}
    for pit in bench.pits.itertuples():
        assert texts[str(pit.pit_id)].y == pytest.approx(700 - pit.y_mm, abs=1e-6)


def test_missing_extra_is_one_sentence(bench, tmp_path, monkeypatch):
    """Without the library the person is told what to install; nothing is written."""
    real = builtins.__import__

    def refuse(name, *args, **kwargs):
        if name == "ezdxf":
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(OutputError, match="install"):
        drawing.write_drawing(bench, tmp_path / "plan.dxf")
    assert list(tmp_path.iterdir()) == []
