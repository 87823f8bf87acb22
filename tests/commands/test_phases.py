import json

import pytest
from click.testing import CliRunner

from xrdfilm.commands.phases import command
from xrdfilm.crystal import load_phase, phase_keys
from xrdfilm.errors import PhaseError


def run(*arguments: str, fails: bool = False) -> str:
    result = CliRunner().invoke(command, list(arguments), catch_exceptions=False)
    assert (result.exit_code != 0) is fails, result.output
    return result.output


def test_the_list_names_every_phase_with_its_standing():
    text = run()
    for key in phase_keys():
        (row,) = [line for line in text.splitlines() if line.split()[:1] == [key]]
        assert load_phase(key).standing in row


def test_the_list_as_json():
    records = json.loads(run("--json"))
    assert [record["phase"] for record in records] == list(phase_keys())
    (ybco,) = [record for record in records if record["phase"] == "YBCO"]
    assert ybco["cell"]["c_A"] == load_phase("YBCO").cell.c_A
    assert ybco["standing"] == "verified"
    assert ybco["read_in"]


def test_one_phase_shows_structure_source_and_lines():
    text = run("BaF2")
    assert "F m -3 m, Z = 4, 6.2001 Å" in text
    assert "Swanson, E. Tatge, NBS Circular 539" in " ".join(text.split())
    assert "standing     verified; cell verified" in text
    row = next(line for line in text.splitlines() if line.startswith("111"))
    assert "24.853" in row
    assert "100 (verified)" in row


def test_one_phase_as_json_has_the_lines_of_its_range():
    record = json.loads(run("CuO", "--json", "--range", "30", "40", "--weakest", "0"))
    angles = [line["two_theta_deg"] for line in record["lines"]]
    assert angles
    assert angles == sorted(angles)
    assert all(30 <= angle <= 40 for angle in angles)
    strongest = max(record["lines"], key=lambda line: line["powder_intensity"])
    assert strongest["hkl"] == [1, 1, 1]
    assert strongest["printed"]["standing"] == "verified"


def test_another_anode_moves_the_lines():
    def first(*arguments: str) -> float:
        lines = json.loads(run("Si", "--json", *arguments))["lines"]
        return lines[0]["two_theta_deg"]

    assert first() == pytest.approx(28.441, abs=0.001)
    assert first("--anode", "Co") == pytest.approx(33.15, abs=0.01)  # 2 asin(1.788996/2/3.13567)
    assert first("--wavelength-A", "1.0") == pytest.approx(18.35, abs=0.01)


def test_a_solid_solution_by_composition():
    record = json.loads(run("BaYF", "--composition", "0.1", "--json"))
    assert record["cell"]["a_A"] == pytest.approx(6.1311, abs=1e-4)
    assert record["formula"] == "Ba0.9Y0.1F2.1"
    assert "x = 0.1" in record["name"]
    with pytest.raises(PhaseError, match="no law"):
        run("CeO2", "--composition", "0.1")


def test_a_phase_of_which_only_the_cell_is_known():
    record = json.loads(run("BaCuO2", "--json", "--range", "29", "30"))
    assert all(line["f_squared"] is None for line in record["lines"])
    assert "memory (cell only)" in run()
    assert "–" in run("BaCuO2", "--range", "29", "30")


def test_a_cif_of_ones_own(tmp_path):
    from xrdfilm.crystal import reference_peaks_dir

    text = (reference_peaks_dir() / "NiO.cif").read_text(encoding="utf-8")
    text = text.replace("_xrdfilm_key", "_other_key").replace("_xrdfilm_standing", "_other_s")
    file = tmp_path / "bunsenite.cif"
    file.write_text(text, encoding="utf-8")
    record = json.loads(run(str(file), "--json"))
    assert (record["phase"], record["standing"]) == ("bunsenite", "user")
    assert "standing     user; cell the user's" in run(str(file))


def test_an_unknown_phase_names_near_matches():
    with pytest.raises(PhaseError, match="did you mean CeO2"):
        run("CeO")


TAPE = ("--film", "YBCO", "--substrate", "Ni-5W", "--buffer", "CeO2:75", "--buffer", "La2Zr2O7")


def test_the_map_of_a_tape():
    text = run(*TAPE)
    assert text.startswith("YBCO / CeO2 / La2Zr2O7 / Ni-5W: Cu K-alpha")
    assert "YBCO  c-axis grains" in text
    assert "hidden  by YBCO (006)" in text
    assert "taken for granted: film thickness" in text
    joined = " ".join(text.split())
    # 2 asin(√3·1.5405929/(2a)) with a = 6.2001 and 6.2001 − 0.69/4
    assert "its (111) then lies anywhere from 24.85° to 25.58°" in joined
    assert "half wavelength ghost of Ni-5W (200) at 25.10°" in joined
    assert "it ranks lines and measures nothing" in " ".join(text.split())


def test_the_map_as_json():
    found = json.loads(run(*TAPE, "--json", "--product", "NiO", "--range", "15", "80"))
    assert found["stack"] == ["YBCO", "CeO2", "La2Zr2O7", "Ni-5W"]
    lines = {(one["phase"], tuple(one["hkl"]), one["grains"]): one for one in found["lines"]}
    assert lines["YBCO", (0, 0, 5), "c_axis"]["status"] == "clear"
    hidden = lines["YBCO", (0, 2, 0), "a_axis"]
    assert hidden["status"] == "hidden"
    assert hidden["overlaps"][0]["certain"] is True
    assert {one["phase"] for one in found["lines"]} == {"YBCO", "BaF2", "NiO", "CeO2", "La2Zr2O7"}


def test_an_untextured_substrate_hides_more():
    stack = ("--film", "YBCO", "--substrate", "Ni-Cr-Mo", "--buffer", "MgO:50", "--json")

    def nickel_oxide(*extra: str) -> dict[str, object]:
        lines = json.loads(run(*stack, "--product", "NiO", *extra))["lines"]
        return next(
            one for one in lines
            if (one["phase"], one["hkl"], one["grains"]) == ("NiO", [2, 0, 0], "random")
        )  # fmt: skip

    # Ni-Cr-Mo (111) lies at 2 asin(0.7703/2.0842) = 43.38°, NiO (200) at 43.29°
    assert nickel_oxide()["status"] == "shared"
    hidden = nickel_oxide("--untextured-substrate")
    assert hidden["status"] == "hidden"
    assert "Ni-Cr-Mo (111)" in str(hidden["why"])


@pytest.mark.parametrize("suffix", ["png", "svg", "pdf"])
def test_the_map_as_a_picture(tmp_path, suffix):
    picture = tmp_path / f"map.{suffix}"
    text = run("--film", "YBCO", "--substrate", "LaAlO3", "--figure", str(picture))
    assert f"Wrote {picture}" in text
    head = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}[suffix]
    assert picture.read_bytes().startswith(head)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("YBCO", "--film", "YBCO"), "either a phase or a stack"),
        (("--figure", "map.png"), "--figure draws the map of a stack"),
        (("YBCO", "--range", "60", "20"), "60 is not below 20"),
        (("--film", "YBCO", "--substrate", "LaAlO3", "--figure", "map.xyz"), "use .png, .svg"),
        (("--film", "YBCO", "--buffer", "CeO2:thick"), "has no number after the colon"),
    ],
)
def test_wrong_use_says_what_to_do(arguments, message, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert message in " ".join(run(*arguments, fails=True).split())


def test_help_shows_examples_that_run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    text = run("--help")
    examples = [line.strip() for line in text.splitlines() if line.strip().startswith("xrdfilm ")]
    assert len(examples) >= 4
    for example in examples:
        assert run(*example.split()[2:])
