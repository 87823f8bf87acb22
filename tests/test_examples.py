"""Every example runs, draws a figure, and says what is true of the films it invented."""

import importlib
import sys
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest

FOLDER = Path(__file__).parent.parent / "examples"
NAMES = sorted(p.stem for p in FOLDER.glob("*.py") if p.stem != "scenario")


@pytest.fixture
def run(monkeypatch, tmp_path, capsys):
    """Runs an example into a folder; returns its module and what it printed."""

    def run(name, **how):
        monkeypatch.syspath_prepend(str(FOLDER))
        for module in (name, "scenario"):
            monkeypatch.delitem(sys.modules, module, raising=False)
        module = importlib.import_module(name)
        capsys.readouterr()
        path = module.main(tmp_path, **how)
        assert path == tmp_path / f"{name}.png"
        picture = matplotlib.image.imread(path)
        assert picture.shape[0] > 400
        assert picture.shape[1] > 1000
        ink = np.mean(picture[..., :3].min(axis=2) < 0.9)
        assert 0.005 < ink < 0.6, "the figure is empty, or full"
        return module, capsys.readouterr().out

    return run


def test_one_film(run):
    _, printed = run("one_film")
    assert "truth 60 µm" in printed


def test_run_with_limits(run, tmp_path):
    _, printed = run("run_with_limits")
    assert "report: run/judged/index.html" in printed
    assert (tmp_path / "run" / "judged" / "results.json").is_file()


def test_reel_holds_the_fault_back(run):
    _, printed = run("reel")
    shipped, held = (float(word) for word in np.array(printed.split())[[0, 4]])
    # the truth is above the limit over 7 m, and 80 m were scanned
    assert shipped > 60.0
    assert held >= 5.0


def test_tilt_scan(run):
    _, printed = run("tilt_scan")
    value = float(printed.split("share ")[1].split(" %")[0])
    low, high = printed.split("(")[1].split(")")[0].split(" to ")
    assert value == pytest.approx(12.0, abs=2.0)
    assert float(low) < 12.0 < float(high)


def test_quench_series_names_the_front_and_a_safe_speed(run):
    module, printed = run("quench_series")
    assert "front at constant speed" in printed
    speed = float(printed.split(" m/h")[0].split()[-1])
    dwell_s = 1.1 * (module.INCUBATION_S + module.THICKNESS_NM / module.RATE_NM_S)
    safe = 6.0 / dwell_s * 3600.0
    assert 0.75 * safe < speed <= safe


def test_own_phase_and_instrument(run):
    _, printed = run("own_phase_and_instrument")
    widths = []
    for line in printed.splitlines()[:2]:
        low, high = line.split("(")[1].rstrip(")").split(" to ")
        assert float(low) < 11.6933 < float(high)
        widths.append(float(high) - float(low))
    assert widths[1] < 0.5 * widths[0]


@pytest.mark.filterwarnings("ignore::ResourceWarning")  # the cluster's own sockets at its end
def test_batch_on_cluster(run):
    pytest.importorskip("distributed")
    _, printed = run("batch_on_cluster", films=12, processes=False)
    assert printed.startswith("12 films: ")


def test_trend_dates_the_shift_and_names_the_water(run):
    module, printed = run("trend_of_a_line")
    dated = int(printed.split("Step of")[1].split(" at N-")[1].split()[0]) - 500
    assert abs(dated - module.SHIFT_AT) <= 3
    assert "water_vapour_mbar" in printed.split("not caused by")[1]


def test_every_example_is_tested_and_shown():
    here = Path(__file__).read_text(encoding="utf-8")
    page = (FOLDER.parent / "docs" / "examples.md").read_text(encoding="utf-8")
    for name in NAMES:
        assert f'run("{name}"' in here
        assert f"examples/{name}.py" in page
        assert (FOLDER.parent / "docs" / "figures" / f"example-{name}.png").is_file()
