"""A hole folder is read, its legal oddities pass, and what is wrong is named all at once."""

from __future__ import annotations

import json
import pickle
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from corephys.ground import flags
from corephys.hole import HoleError, hole_from_tables, read_hole

TOML = """[hole]
name = "Made-up hole"
water_depth = "2430 m"
bottom_water_temperature = "1.9 degC"
"""
SOUND = {
    "cores.csv": "core,coring_method,top [m],advance [m],recovered [m]\n"
    "01,piston,0.0,3.0,3.0\n"
    "02,piston,3.0,3.0,0.0\n"
    "NA,rotary,10.0,2.0,2.1\n",
    "sections.csv": "core,section,length [m],core_diameter [mm],kind\n"
    "01,1,1.5,66,section\n01,2,1.5,66,section\nNA,1,1.5,60,section\nNA,cc,0.6,60,catcher\n",
    "scan/gamma.csv": "core,section,offset [cm],counts,live_time [s],run\n"
    "01,1,0,5000,4,1\n01,1,150.0,5001,4,1\n01,2,0.0,5002,4,1\nNA,1,10,5003,4,\nNA,cc,5,5004,4,1\n",
}


def write(folder: Path, files: dict[str, str | bytes], toml: str | None = TOML) -> Path:
    if toml is not None:
        (folder / "hole.toml").write_text(toml, encoding="utf-8")
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return folder


def read(folder: Path, changes: dict[str, str | bytes] | None = None, **options) -> xr.DataTree:
    return read_hole(write(folder, {**SOUND, **(changes or {})}), **options)


def problems(folder: Path, changes: dict[str, str | bytes], toml: str | None = TOML) -> list[str]:
    with pytest.raises(HoleError) as caught:
        read_hole(write(folder, {**SOUND, **changes}, toml))
    return [str(problem) for problem in caught.value.problems]


def reasons(dataset: xr.Dataset) -> list[list[str]]:
    return [flags.names(mask) for mask in dataset["reason"].values]


def test_a_sound_hole_is_read_with_text_keys_units_and_depths(tmp_path):
    hole = read(tmp_path)
    gamma = hole["scan/gamma"]
    assert hole.attrs["title"] == "Made-up hole"
    assert json.loads(hole.attrs["settings"])["hole"]["water_depth"] == "2430 m"
    assert set(json.loads(hole.attrs["input_sha256"])) == {"hole.toml", *SOUND}
    assert gamma.core.values.tolist() == ["01", "01", "01", "NA", "NA"]
    assert gamma.run.values.tolist() == [1] * 5
    assert gamma.run.dtype.kind == "i"
    # 150.0 cm of a section is 0.0 cm of the next; the catcher follows the last section
    assert gamma["depth"].values.tolist() == pytest.approx([0.0, 1.5, 1.5, 10.1, 11.55])
    assert gamma.depth_fitted.values[3:] == pytest.approx(
        [10 + 0.1 * 2.0 / 2.1, 10 + 1.55 * 2 / 2.1]
    )
    assert gamma.counts.attrs["units"] == "1"
    assert gamma.live_time.attrs["units"] == "s"
    assert reasons(gamma) == [[], [], [], [], ["catcher"]]
    assert gamma.flag.values.tolist() == [1, 1, 1, 1, 3]
    assert "flag_masks" in gamma.reason.attrs
    assert gamma.counts.dims == ("reading",)
    assert hole["cores"]["top"].dims == ("row",)
    assert not hole.to_dataset().data_vars, "only leaves hold data"


def test_the_earlier_word_for_an_extended_inner_tube_is_still_read(tmp_path):
    cores = SOUND["cores.csv"].replace("02,piston", "02,extended")
    read_back = read(tmp_path, {"cores.csv": cores})["cores"]["coring_method"]
    assert read_back.values.tolist() == ["piston", "extended_inner_tube", "rotary"]
    now = read(tmp_path, {"cores.csv": cores.replace("extended", "extended_inner_tube")})
    assert now["cores"]["coring_method"].values.tolist() == read_back.values.tolist()
    wrong = {"cores.csv": cores.replace("extended", "extendet")}
    assert "is not one of piston, extended_inner_tube, rotary" in problems(tmp_path, wrong)[0]


FAULTS = {
    "cores.csv": "core,coring_method,top [m],advance [m],recovered [m]\n"
    "01,pistn,0.0,3.0,3.0\n"  # 1 a word that is nearly a legal one
    "02,piston,2.5,3.0,-1\n",  # 2 the same ground twice, 3 negative recovery
    "sections.csv": "core,section,length [m],core_diameter [mm]\n"
    "01,1,1.5,66\n01,1,1.5,66\n"  # 4 the same section twice
    "03,1,1.5,66\n",  # 5 a core that is not there
    "removed.csv": "core,section,from [cm],to [cm],kind\n01,1,140,170,lost\n",  # 6 outside
    "scan/gamma.csv": "core,section,offset [cm],counts,live_time [furlong]\n01,1,0,5,4\n",  # 7 unit
    "scan/pwave.csv": "core,section,offset,travel_time [us],thickness [mm]\n"  # 8 no unit
    "1,1,0,30,66\n",
    "scan/resistivity.csv": "core,section,offset [cm],response [mV]\n1,1,0,30,66\n",  # 9 fields
    "scan/susceptibility.csv": "core,section,offset [cm],reading,reading\n01,1,0,1,2\n",  # 10 twice
    "samples/index_properties.csv": "core,offset [cm],wet_mass [g],dry_mass [g],dry_volume [cm^3]\n"
    "01,10,20,10,4\n",  # 11 no key column
}
FAULTY_TOML = '[hole]\nname = "x"\nwater_depth = 2430\n'  # 12 a number without a unit


def test_twelve_planted_faults_are_all_named_at_once_with_file_and_row(tmp_path):
    with pytest.raises(HoleError) as caught:
        read_hole(write(tmp_path, FAULTS, FAULTY_TOML))
    found = {(p.file, p.row): str(p) for p in caught.value.problems}
    expected = {
        ("hole.toml", None): ["water_depth", "2430", "unit"],
        ("cores.csv", 2): ["'pistn'", "'piston'"],
        ("cores.csv", 3): ["recovered", "-1"],
        ("sections.csv", 3): ["section '1'", "core '01'", "row 2"],
        ("sections.csv", 4): ["'03'", "cores.csv"],
        ("removed.csv", 2): ["140 to 170 cm", "150 cm long"],
        ("scan/gamma.csv", 1): ["furlong"],
        ("scan/pwave.csv", 1): ["'offset [cm]'"],
        ("scan/resistivity.csv", 2): ["5 fields", "4 of the header"],
        ("scan/susceptibility.csv", 1): ["'reading'", "twice"],
        ("samples/index_properties.csv", 1): ["'section'"],
    }
    assert set(expected) <= set(found)
    text = str(caught.value)
    for words in expected.values():
        for word in words:
            assert word in text
    assert "core '02' begins at 2.5 m, 0.5 m above the end of core '01'" in text
    assert len(caught.value.problems) == 12, text
    assert text.splitlines()[0].endswith("12 problems to mend")
    assert text.splitlines()[12].startswith(" 12. ")


def test_a_pasted_row_of_the_cores_is_one_problem():
    row = {"core": "2", "coring_method": "piston", "top [m]": 9.0, "advance [m]": 9.0}
    cores = pd.DataFrame([{**row, "core": "1", "top [m]": 0.0}, row, row])
    with pytest.raises(HoleError, match="core '2' is there already") as caught:
        hole_from_tables({"cores": cores.assign(**{"recovered [m]": 9.0})}, {"hole": {"name": "x"}})
    assert len(caught.value.problems) == 1


def test_cell_faults_are_kept_flagged_and_remembered_not_raised(tmp_path):
    gamma = read(
        tmp_path,
        {
            "removed.csv": "core,section,from [cm],to [cm],kind,when\n"
            "01,1,40,50,whole_round,before_scan\n01,1,60,70,whole_round,after_scan\n"
            "01,1,80,90,open_void,before_scan\n",
            "exclusions.csv": "core,section,from [cm],to [cm],reason,sensor\n"
            "01,2,10,20,cracked liner,gamma\n01,2,30,40,cracked liner,pwave\n",
            "scan/gamma.csv": "core,section,offset [cm],counts,live_time [s]\n"
            "01,1,10,12k,4\n01,1,20,1_000,4\n01,1,150.2,5,4\n01,1,-1,5,4\n01,1,45,5,4\n"
            "01,1,65,5,4\n01,1,85,5,4\n01,2,15,5,4\n01,2,35,5,4\n01,2,50,,4\n01,2,,5,4\n"
            "01,1,150.1,5,4\n",
        },
    )["scan/gamma"]
    assert reasons(gamma) == [
        ["bad_cell"], ["bad_cell"], ["past_section_end"], ["past_section_end", "above_seafloor"],
        ["in_removed_interval"], [], ["void"], ["excluded_by_user"], [], [], ["missing_value"], [],
    ]  # fmt: skip
    assert json.loads(gamma.attrs["bad_cells"]) == [[0, "counts", "12k"], [1, "counts", "1_000"]]
    assert np.isnan(gamma.counts.values[[0, 1, 9]]).all()
    assert gamma.sizes["reading"] == 12


def test_samples_come_from_whole_rounds_and_lie_in_the_middle_of_their_interval(tmp_path):
    samples = read(
        tmp_path,
        {
            "removed.csv": "core,section,from [cm],to [cm],kind,when\n"
            "01,1,40,50,whole_round,before_scan\n",
            "samples/index_properties.csv": "core,section,offset [cm],to [cm],wet_mass [g],"
            "dry_mass [g],dry_volume [cm^3]\n01,1,44,46,20,10,4\n01,2,10,,20,10,4\n",
        },
    )["samples/index_properties"]
    assert reasons(samples) == [[], []]
    assert samples["depth"].values.tolist() == pytest.approx([0.45, 1.6])
    assert samples.offset.values.tolist() == [44, 10]


def test_units_and_times_are_brought_to_the_contract(tmp_path):
    hole = read(
        tmp_path,
        {
            "scan/pwave.csv": "core,section,offset [mm],travel_time [ms],thickness [cm],"
            "temperature [°C],time,note [kg/m3],remark\n"
            "01,1,100,0.04,6.6,20.5,2031-05-01T12:00:00+02:00,1,7x\n"
            "01,1,200,0.04,6.6,20.5,yesterday,2,8\n01,1,300,0.04,6.6,,,3,9\n"
        },
    )
    pwave = hole["scan/pwave"]
    assert pwave.offset.values.tolist() == pytest.approx([10, 20, 30])
    assert pwave.travel_time.values[0] == pytest.approx(40.0)
    assert pwave.thickness.values[0] == pytest.approx(66.0)
    assert pwave.temperature.attrs["units"] == "degC"
    assert pwave.time.values[0] == np.datetime64("2031-05-01T10:00:00")
    assert np.isnat(pwave.time.values[1:]).all()
    assert reasons(pwave) == [[], [], []]  # a reading does not need its time
    of_time = [flags.names(mask) for mask in pwave["time_reason"].values]
    assert of_time == [[], ["missing_value", "bad_cell"], ["missing_value"]]
    assert pwave["note"].attrs["units"] == "kg/m^3"
    assert pwave["remark"].values.tolist() == ["7x", "8", "9"]


def test_times_without_a_zone_are_in_the_zone_of_the_hole(tmp_path):
    table = "core,section,offset [cm],reading,time\n01,1,0,5,2031-05-01T12:00:00\n" \
        "01,1,1,5,2031-05-01T12:00:00Z\n"  # fmt: skip
    toml = TOML + 'time_zone = "Etc/GMT-9"\n'
    hole = read_hole(write(tmp_path, {**SOUND, "scan/susceptibility.csv": table}, toml))
    times = hole["scan/susceptibility"].time.values
    assert times.tolist() == np.array(["2031-05-01T03", "2031-05-01T12"], "datetime64[s]").tolist()


def test_foreign_headers_are_mapped_and_the_file_is_left_alone(tmp_path):
    foreign = "Kern,Abschnitt,Lage,N,t\n01,1,10,5000,4\n"
    mapping = {
        "scan/gamma": {
            "Kern": "core", "Abschnitt": "section", "Lage": "offset [cm]", "N": "counts",
            "t": "live_time [s]",
        }
    }  # fmt: skip
    gamma = read(tmp_path, {"scan/gamma.csv": foreign}, columns=mapping)["scan/gamma"]
    assert gamma["depth"].values.tolist() == pytest.approx([0.1])
    assert (tmp_path / "scan/gamma.csv").read_text(encoding="utf-8") == foreign
    with pytest.raises(HoleError, match=r"'Lgae'.*does not have"):
        read(tmp_path, {"scan/gamma.csv": foreign}, columns={"scan/gamma": {"Lgae": "offset [cm]"}})


def test_depth_may_stand_in_place_of_the_section_and_needs_no_cores(tmp_path):
    files = {"scan/gamma.csv": "depth [m],counts,live_time [s]\n12.5,5,4\n13,5,4\n"}
    gamma = read_hole(write(tmp_path, files))["scan/gamma"]
    assert gamma["depth"].values.tolist() == [12.5, 13.0]
    assert gamma.depth_fitted.values.tolist() == [12.5, 13.0]
    assert "core" not in gamma.coords


@pytest.mark.parametrize(
    ("table", "text"),
    [
        ("scan/gamma.csv", ""),
        ("scan/gamma.csv", "core,section,offset [cm],counts,live_time [s]\n"),
        ("scan/gamma.csv", "\ufeffcore,section,offset [cm],counts,live_time [s]\r\n01,1,0,1,4\r\n"),
        ("scan/gamma.csv", "core,section,offset [cm],counts,live_time [s],\n01,1,0,1,4,\n,,,,,\n"),
        ("scan/gamma.csv", 'core,section,offset [cm],counts,live_time [s],a\n01,1,0,1,4,"x, y"\n'),
        ("scan/gamma.csv", 'core,section,offset [cm],counts,live_time [s],a\n01,1,0,1,4,"x\ny"\n'),
        ("scan/gamma.csv", "core,section,offset [cm],counts,live_time [s]\n\n01,1,0,1,4\n\n"),
        ("removed.csv", "core,section,from [cm],to [cm],kind,when\n"),
    ],
    ids=[
        "empty",
        "header only",
        "byte-order mark",
        "trailing commas",
        "quoted comma",
        "quoted line break",
        "blank lines",
        "no rows",
    ],
)
def test_legal_files_pass(tmp_path, table, text):
    hole = read(tmp_path, {table: text})
    if "01" in text:
        assert hole["scan/gamma"].sizes["reading"] == 1
    elif text:
        assert set(hole[table.removesuffix(".csv")].sizes.values()) == {0}


def test_repeats_are_runs_and_the_same_key_twice_is_not_guessed_about(tmp_path):
    head = "core,section,offset [cm],counts,live_time [s],run\n"
    gamma = read(tmp_path, {"scan/gamma.csv": head + "01,1,0,5,4,1\n01,1,0,6,4,2\n"})["scan/gamma"]
    assert gamma.run.values.tolist() == [1, 2]
    same = read(tmp_path, {"scan/gamma.csv": head + "01,1,0,5,4,1\n01,1,0,5,4,1\n"})["scan/gamma"]
    assert same.sizes["reading"] == 2
    assert json.loads(same.attrs["duplicate_rows"]) == [1]
    (found,) = problems(tmp_path, {"scan/gamma.csv": head + "01,1,0,5,4,\n01,1,0,6,4,1\n"})
    assert found.startswith("scan/gamma.csv:3: the same key with different values")
    assert "run 2" in found


def test_keys_that_differ_in_axis_or_time_are_no_repeats(tmp_path):
    hole = read(
        tmp_path,
        {
            "samples/velocity.csv": "core,section,offset [cm],axis,length [mm],travel_time [us]\n"
            "01,1,10,along,30,20\n01,1,10,across,30,20\n",
            "samples/needle.csv": "run,core,section,offset [cm],geometry,direction,"
            "heating_power [W/m],time [s],temperature [degC]\n"
            "07,01,1,10,full_space,across,2,-1,20\n07,01,1,10,full_space,across,2,1,20.5\n",
        },
    )
    assert hole["samples/velocity"].sizes == {"reading": 2}
    needle = hole["samples/needle"]
    assert needle.sizes == {"row": 2}
    assert needle["run"].values.tolist() == ["07", "07"]
    assert needle["depth"].values.tolist() == pytest.approx([0.1, 0.1])


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"cores.csv": SOUND["cores.csv"].encode() + b"\xff"}, ["cores.csv:5", "0xff", "UTF-8"]),
        ({"cores.csv": SOUND["cores.csv"].encode("utf-16")}, ["UTF-16"]),
        ({"cores.csv": SOUND["cores.csv"].replace(",", ";")}, ["semicolons", "commas"]),
        ({"cores.csv": SOUND["cores.csv"].replace("10.0", "ten")}, ["cores.csv:4", "'ten'"]),
        ({"scan/gamma.csv": SOUND["scan/gamma.csv"].replace("01,1", "1,1")},
         ["'1'", "'01' is not '1'"]),
        ({"scan/gamma.csv": SOUND["scan/gamma.csv"].replace("NA,cc", "NA,cx")},
         ["scan/gamma.csv:6", "no section 'cx'", "'cc'"]),
        ({"scan/gamma.csv": SOUND["scan/gamma.csv"].replace("01,1,0", ",1,0")},
         ["column 'core'", "empty"]),
        ({"scan/pwaves.csv": "a\n1\n"}, ["scan/pwaves.csv", "scan/pwave.csv"]),
        ({"scan/gamma.csv": 'core,section,offset [cm],counts,live_time [s]\n01,1,0,"5,4\n'},
         ["quotation"]),
        ({"layers.csv": "name,top [m],bottom [m]\nmud,10,5\n"}, ["bottom 5 m", "top 10 m"]),
        ({"cores.csv": SOUND["cores.csv"].replace(
            "01,piston,0.0,3.0,3.0", "01,piston,0.0,3.0,0")}, ["of 3 m", "recovered is 0"]),
        ({"samples/index_properties.csv": "core,section,offset [cm],to [cm],wet_mass [g],"
          "dry_mass [g],wet_volume [cm^3]\n01,1,46,44,20,10,4\n"}, ["44 cm, above its offset 46"]),
        ({"exclusions.csv": "core,section,from [cm],to [cm],reason,sensor\n01,2,10,20,x,gama\n"},
         ["'gama'", "'gamma'"]),
        ({"scan/reduced.csv": "core,section,offset [cm],quantity,value,unit\n"
          "01,1,0,bulk_density,1.5,g/ccm\n"}, ["g/ccm"]),
        ({"scan/gamma.csv": "core,section,offset [cm],counts\n01,1,0,5\n"},
         ["'real_time [s]' or 'live_time [s]'"]),
        ({"scan/gamma.csv": "core,section,offset [cm],counts,live_time [m]\n01,1,0,5,4\n"},
         ["different dimensions", "'live_time [s]'"]),
        ({"downhole/tools.csv": "tool,radius [mm],heat_capacity [J/(m K)]\nT1,4,60\n",
          "downhole/stations.csv": "station,tool,depth [m]\nS1,T2,30\n"}, ["'T2'", "tools.csv"]),
    ],
)  # fmt: skip
def test_each_fault_says_where_and_how_to_mend_it(tmp_path, changes, words):
    found = problems(tmp_path, changes)
    assert len(found) == 1, found
    for word in words:
        assert word in found[0], found


def test_a_file_beside_the_table_that_it_resembles_is_only_named(tmp_path):
    hole = read(tmp_path, {"scan/gama.csv": "a\n1\n"})
    assert json.loads(hole.attrs["files_not_read"]) == ["scan/gama.csv"]


@pytest.mark.parametrize(
    ("toml", "words"),
    [
        (None, ["no such file", "[hole]"]),
        ("[hole\n", ["TOML", "line 1"]),
        ("x = 1\n", ["[hole]"]),
        ("[hole]\n", ["name"]),
        ('[hole]\nname = "x"\nwater_dept = "3 m"\n', ["'water_depth'"]),
        ('[hole]\nname = "x"\nwater_depth = "3 degC"\n', ["different dimensions", "2430 m"]),
        ('[hole]\nname = "x"\nlatitude = 95.0\n', ["latitude"]),
        ('[hole]\nname = "x"\ntime_zone = "Moon"\n', ["'Moon'"]),
        ('[hole]\nname = "x"\n[gamma]\ndead_time = "two us"\n', ["dead_time", "2 us"]),
    ],
)
def test_settings_teach(tmp_path, toml, words):
    found = "\n".join(problems(tmp_path, {}, toml))
    for word in words:
        assert word in found, found


def test_tables_give_the_same_hole_as_files(tmp_path):
    folder = read(tmp_path)
    tables = {
        name.removesuffix(".csv"): pd.read_csv(
            tmp_path / name, dtype={"core": str, "section": str}, keep_default_na=False,
            na_values={"run": [""]},
        )
        for name in SOUND
    }  # fmt: skip
    made = hole_from_tables(tables, {"hole": {"name": "Made-up hole"}})
    for node in ("cores", "sections", "scan/gamma"):
        xr.testing.assert_identical(folder[node].to_dataset(), made[node].to_dataset())
    assert made.attrs["input_sha256"] == "{}"


def test_tables_name_positions_and_refuse_number_keys():
    cores = pd.DataFrame(
        {"core": [1.0], "coring_method": ["piston"], "top [m]": [0], "advance [m]": [3],
         "recovered [m]": [3]}
    )  # fmt: skip
    with pytest.raises(HoleError, match=r"floating-point numbers.*dtype=str"):
        hole_from_tables({"cores": cores}, {"hole": {"name": "x"}})
    with pytest.raises(HoleError, match="Did you mean 'cores'"):
        hole_from_tables({"core": cores}, {"hole": {"name": "x"}})


def test_a_path_in_a_cell_is_never_followed(tmp_path):
    outside = tmp_path / "secret.csv"
    outside.write_text("x\n1\n", encoding="utf-8")
    hole = read(
        tmp_path,
        {"downhole/tools.csv": "tool,radius [mm],heat_capacity [J/(m K)],response_table\n"
         "T1,4,60,../secret.csv\n"},
    )  # fmt: skip
    assert hole["downhole/tools"]["response_table"].values.tolist() == ["../secret.csv"]
    assert "secret" not in json.dumps(json.loads(hole.attrs["source_files"]))


def test_columns_called_flag_or_reason_keep_their_content(tmp_path):
    table = "core,section,offset [cm],reading,flag,reason\n01,1,0,5,7,why\n"
    scan = read(tmp_path, {"scan/susceptibility.csv": table})["scan/susceptibility"]
    assert scan["flag_as_given"].values.tolist() == [7]
    assert scan["reason_as_given"].values.tolist() == ["why"]
    assert scan["flag"].values.tolist() == [1]


def test_an_empty_text_column_of_a_frame_is_text():
    cores = pd.DataFrame(
        {"core": ["1"], "coring_method": ["piston"], "top [m]": [0], "advance [m]": [3],
         "recovered [m]": [3]}
    )  # fmt: skip
    sections = pd.DataFrame(
        {"core": ["1"], "section": ["1"], "length [m]": [3.0], "core_diameter [mm]": [66],
         "annulus": [np.nan]}
    )  # fmt: skip
    hole = hole_from_tables({"cores": cores, "sections": sections}, {"hole": {"name": "x"}})
    assert hole["sections"]["annulus"].values.tolist() == [""]


def test_the_error_survives_the_way_to_another_process(tmp_path):
    with pytest.raises(HoleError) as caught:
        read_hole(write(tmp_path, FAULTS, FAULTY_TOML))
    again = pickle.loads(pickle.dumps(caught.value))
    assert str(again) == str(caught.value)
    assert again.problems == caught.value.problems


def test_a_hole_survives_netcdf(tmp_path):
    extra = {
        "removed.csv": "core,section,from [cm],to [cm],kind,when\n",
        "scan/pwave.csv": "core,section,offset [cm],travel_time [us],thickness [mm],time\n"
        "01,1,10,40,66,2031-05-01T12:00:00Z\n01,1,12,40,66,\n",
    }
    (tmp_path / "hole").mkdir()
    hole = read(tmp_path / "hole", extra)
    hole.to_netcdf(tmp_path / "hole.nc", engine="netcdf4")
    with xr.open_datatree(tmp_path / "hole.nc", engine="netcdf4") as again:
        assert set(again.groups) == set(hole.groups)
        for node in ("scan/gamma", "scan/pwave", "sections"):
            xr.testing.assert_equal(again[node].to_dataset().load(), hole[node].to_dataset())


def test_the_demonstration_hole_lies_where_its_truth_says():
    folder = Path(__file__).parents[2] / "data_demo" / "hole"
    hole = read_hole(folder)
    for sensor in ("gamma", "pwave"):
        truth = pd.read_csv(folder / "truth" / f"scan_{sensor}.csv", dtype={"core": str})
        scan = hole[f"scan/{sensor}"]
        assert scan["core"].values.tolist() == truth["core"].tolist()
        error = np.abs(scan["depth_fitted"].values - truth["depth_fitted [m]"].to_numpy())
        assert error.max() <= 0.000501  # the truth is written to the millimetre
        declared = (truth["flaw"] == "declared_void").to_numpy()
        assert ((scan["flag"].values == flags.BAD) == declared).all()


def test_rows_are_named_by_their_line_whatever_stands_between(tmp_path):
    head = "core,section,offset [cm],counts,live_time [s],note\n"
    for body, line in (
        ('01,1,0,1,4,"two\nlines"\n01,9,0,1,4,\n', 4),
        ("01,1,0,1,4,\n\n\n01,9,0,1,4,\n", 5),
        ("01,1,0,1,4,\n01,9,0,1,4,\n", 3),
    ):
        (found,) = problems(tmp_path, {"scan/gamma.csv": head + body})
        assert found.startswith(f"scan/gamma.csv:{line}, column 'section'"), found


def test_ten_thousand_rows_are_read_in_order(tmp_path):
    rows = [f"01,1,{i / 100:.2f},{i},4,1" for i in range(10_000)]
    text = "core,section,offset [cm],counts,live_time [s],run\n" + "\n".join(rows)
    gamma = read(tmp_path, {"scan/gamma.csv": text})["scan/gamma"]
    assert (gamma["counts"].values == np.arange(10_000)).all()
    rows[7_000] += ",1"
    (found,) = problems(tmp_path, {"scan/gamma.csv": text.split("\n")[0] + "\n" + "\n".join(rows)})
    assert found.startswith("scan/gamma.csv:7002: 7 fields")
