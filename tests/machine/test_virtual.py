"""The virtual machine runs program text: what it writes, where it stops, what it says."""

import numpy as np
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st
from machine.probing_text import probing_text, targets_at

from probekit import touches
from probekit.errors import InputError
from probekit.machine import AsMade, ReferenceSphere, run
from probekit.machine.errors import Latency, Lobing, MissedTriggers, Repeatability, Scale, Warming
from probekit.plan.kinematics import Kinematics, RotaryAxis
from probekit.plan.probe import Probe

TOP = targets_at([[0.0, 0, 10.0], [5.0, 0, 10.0], [5.0, 5.0, 10.0]], [[0, 0, 1.0]] * 3, "top")
ALL = (
    Lobing(0.01, 0.004),
    Repeatability(0.002),
    MissedTriggers(0.2),
    Latency(0.001),
    Scale(50, 40, 30),
    Warming((0, 0, 0.01), 3),
)


@pytest.fixture(scope="module")
def box():
    return shapes.box()


class TestResultsFile:
    def test_same_seed_same_bytes(self, box, tmp_path):
        text = probing_text(TOP)
        for name, seed in (("a", 4), ("b", 4), ("c", 5)):
            assert run(text, box, probe=6.0, errors=ALL, rng=seed).write(tmp_path / name) == tmp_path / name
        a, b, c = ((tmp_path / name).read_bytes() for name in "abc")
        assert a == b
        assert a != c

    def test_a_generator_counts_on(self, box):
        rng = np.random.default_rng(4)
        first, second = (run(probing_text(TOP), box, probe=6.0, errors=ALL[:2], rng=rng) for _ in range(2))
        assert not np.allclose(first.table["z"], second.table["z"])
        assert first.table["z"].equals(run(probing_text(TOP), box, probe=6.0, errors=ALL[:2], rng=4).table["z"])

    def test_an_error_more_leaves_the_draws_of_the_others(self, box):
        noise, miss, still = Repeatability(0.002), MissedTriggers(0.4), Scale(0.0, 0.0, 0.0)
        many = targets_at([[x, y, 10.0] for x in range(5) for y in range(5)], [[0, 0, 1.0]] * 25, "top")

        def ran(*errors):
            return run(probing_text(many), box, probe=6.0, errors=errors, rng=3, decimals=9, goes_on=True).table

        alone, missed = ran(noise), ran(miss)["reason"] != ""
        for errors in ((still, noise), (noise, still), (miss, noise), (noise, miss, still)):
            table = ran(*errors)
            hit = table["reason"] == ""
            assert table.loc[hit, "z"].equals(alone.loc[hit, "z"])
            assert hit.equals(~missed) == (miss in errors)
        assert 0 < missed.sum() < 25
        # two of a kind draw apart: their sum is not twice the first
        twice = ran(noise, noise)["z"] - 13.0
        assert not np.allclose(twice, 2 * (alone["z"] - 13.0), atol=1e-5)

    def test_what_touches_reads(self, box, tmp_path):
        names = {"part": "box 7", "program": "top.ngc"}
        result = run(probing_text(TOP), box, probe=6.0, errors=ALL, rng=1, goes_on=True, **names)
        result.write(tmp_path / "run.csv")
        read = touches.read(tmp_path / "run.csv")
        assert read["touch"].tolist() == [1, 2, 3]
        for name in ("x0", "y0", "z0", "i", "j", "k", "x", "y", "z", "ai", "aj", "ak", "seconds"):
            np.testing.assert_array_equal(read[name], result.table[name])
        assert (read["reason"] == result.table["reason"]).all()
        wanted = {"unit": "mm", "recorded": "centre", "part": "box 7", "program": "top.ngc", "seed": 1}
        assert wanted.items() <= read.attrs.items()
        assert "virtual machine" in read.attrs["machine"]
        assert "Lobing(mean=0.01, amplitude=0.004" in read.attrs["errors"]

    def test_decimals(self, box):
        z = run(probing_text(TOP), box, probe=6.0, errors=ALL[:2], decimals=3).table["z"]
        np.testing.assert_array_equal(z, np.round(z, 3))
        assert z.iloc[0] != 13.0

    def test_no_touch_no_file(self, box, tmp_path):
        result = run("G21 G90\nM30\n", box, probe=6.0)
        assert len(result.table) == 0
        with pytest.raises(InputError, match="recorded no touch"):
            result.write(tmp_path / "none.csv")
        assert list(tmp_path.iterdir()) == []

    @given(feature=st.from_regex(r"[^\s()\x00-\x20\x7f-\uffff]{1,12}", fullmatch=True))
    @settings(max_examples=25)
    def test_any_name_of_a_feature_comes_back(self, feature, box, tmp_path_factory):
        result = run(probing_text(targets_at([[0, 0, 10.0]], [[0, 0, 1.0]], feature)), box, probe=6.0)
        path = tmp_path_factory.mktemp("names") / "run.csv"
        if not len(result.table):  # the reader of programs did not take the name, and says so
            assert result.findings
            return
        result.write(path)
        assert touches.read(path)["feature"].tolist() == [result.table["feature"].iloc[0]]


class TestStops:
    def test_a_rapid_into_the_part(self, box):
        lines = probing_text(TOP).splitlines()
        lines.insert(lines.index("G0 X5.000000000 Y0.000000000"), "G0 Z9")
        result = run("\n".join(lines), box, probe=6.0)
        assert result.stopped_line == lines.index("G0 Z9") + 1
        assert "runs into the part" in result.stopped
        assert "rapid" in result.stopped
        assert result.table["touch"].tolist() == [1]  # what was recorded before stays

    def test_an_approach_that_is_too_deep(self, box):
        text = probing_text(TOP).replace("G1 Z15.000000000 F1000\nG38.2 X5", "G1 Z12.9 F1000\nG38.2 X5", 1)
        result = run(text, box, probe=6.0)
        assert "along a feed move" in result.stopped
        assert len(result.table) == 1

    def test_a_part_that_sits_too_high(self, box):
        """Set-up error larger than the standoff: the ball meets the part on its way to the standoff."""
        motion = np.eye(4)
        motion[2, 3] = 2.5
        result = run(probing_text(TOP), AsMade(box, motion=motion), probe=6.0)
        assert "runs into the part" in result.stopped
        assert len(result.table) == 0

    def test_touching_before_the_probing_move_begins(self, box):
        motion = np.eye(4)
        motion[2, 3] = 2.0  # just as high as the standoff
        result = run(probing_text(TOP), AsMade(box, motion=motion), probe=6.0)
        assert "before the probing move" in result.stopped

    def test_a_part_that_is_not_there(self, box):
        motion = np.eye(4)
        motion[2, 3] = -2.5  # beyond the overtravel
        result = run(probing_text(TOP), AsMade(box, motion=motion), probe=6.0)
        assert result.table["reason"].tolist() == ["no trigger"]
        assert "no contact" in result.stopped
        assert "ends the program with an error" in result.stopped
        later = run(probing_text(TOP), AsMade(box, motion=motion), probe=6.0, goes_on=True)
        assert later.table["reason"].tolist() == ["no trigger"] * 3

    def test_contact_just_before_the_end_but_trigger_beyond_it(self, box):
        motion = np.eye(4)
        motion[2, 3] = -1.995
        result = run(probing_text(TOP), AsMade(box, motion=motion), probe=6.0, errors=(Lobing(0.01),))
        assert result.table["reason"].tolist() == ["no trigger"]
        assert "0.005 mm past the contact" in result.stopped

    def test_a_spindle_that_turns(self, box):
        result = run(probing_text(TOP).replace("M5 M9", "M9").replace("G43 H9", "G43 H9\nM3 S500"), box, probe=6.0)
        assert "spindle turns" in result.stopped
        assert len(result.table) == 0

    def test_milling_with_another_tool_is_not_the_probe_s_business(self, box):
        milling = "G21 G90 G94\nT1 M6\nG43 H1\nM3 S8000\nG0 X0 Y0\nG1 Z8 F500\nG1 X20\nG0 Z100\nM5\n"
        body = probing_text(TOP).removeprefix("%\n")
        result = run(milling + body, box, probe=6.0)
        assert result.stopped == ""
        assert len(result.table) == 3

    def test_while_the_rotary_axes_turn(self, box):
        """With the probe beside the part and low, half a turn of the table swings the box's corner into it."""
        kinematics = Kinematics((RotaryAxis("C", "table"),))
        text = "G21 G90 G94\nT9 M6\nG43 H9\nM5\nG0 X34 Y0\nG0 Z0\nG0 C90\nG38.2 X30 F60\n"
        result = run(text, box, probe=6.0, kinematics=kinematics)
        assert result.stopped == "the ball runs into the part while the rotary axes turn"
        assert result.stopped_line == 7


class TestOriginsThatTheProgramMoves:
    """Machine coordinates are the truth: the part stands still, and the control counts from the moved origin."""

    HEAD = "G21 G90 G94 G54\nT9 M6\nG43 H9\nM5\nG0 X0 Y0\nG0 Z16\n"
    TOUCH = "G38.2 Z11 F60\n(PROBEKIT RECORD {n} top 0 0 10 0 0 1)\nG0 Z16\n"

    def heights(self, box, between, **options):
        text = self.HEAD + self.TOUCH.format(n=1) + between + "\n" + self.TOUCH.format(n=2) + "M30\n"
        result = run(text, box, probe=6.0, decimals=9, **options)
        assert result.stopped == ""
        return result.table["z"].round(6).tolist()

    @pytest.mark.parametrize(
        ("between", "second"),
        [
            ("G10 L2 P1 Z[#5223-0.5]", 13.5),
            ("G10 L2 P1 Z[#5223+0.25]", 12.75),
            ("G10 L2 P2 Z[#5223-0.5]", 13.0),  # the values of another one
            ("G92 Z16.5", 13.5),
            ("G92 Z16.5\nG92.1", 13.0),
            ("G52 Z-0.5", 13.5),
            ("G52 Z-0.5\nG52 Z0", 13.0),
            ("G10 L2 P2 X[#5221] Y[#5222] Z[#5223-0.5]\nG55", 13.5),
            ("G10 L2 P1 Z[#5223-0.5]\nT9 M6\nG43 H9\nG0 X0 Y0\nG0 Z16", 13.5),
        ],
    )
    def test_the_second_touch_is_counted_from_the_moved_origin(self, box, between, second):
        assert self.heights(box, between) == [13.0, second]

    def test_a_work_offset_with_known_origin(self, box):
        offsets = {"G54": (0, 0, -500), "G55": (0, 0, -500.5)}
        assert self.heights(box, "G55", offsets=offsets) == [13.0, 13.5]

    def test_across_the_part_is_shifted_too(self, box):
        """Shifted beyond the edge of the box there is nothing to touch."""
        text = self.HEAD + "G92 X-100\nG0 X0 Y0\nG0 Z16\n" + self.TOUCH.format(n=1) + "M30\n"
        assert "no contact" in run(text, box, probe=6.0).stopped

    def test_an_unknown_origin_stops_the_run(self, box):
        text = self.HEAD + self.TOUCH.format(n=1) + "G55\n" + self.TOUCH.format(n=2) + "M30\n"
        result = run(text, box, probe=6.0)
        assert "the origin of G55 is not known here" in result.stopped
        assert len(result.table) == 1


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("G68 X0 Y0 R30", "G68"),
        ("G51 P2", "G51"),
        ("M98 P100", "M98"),
        ("O101 if [#1 GT 2]", "IF"),
        ("O101 while [#1 LT 3]", "WHILE"),
        ("GOTO 10", "GOTO"),
        ("G65 P1", "G65"),
        ("G10 L20 P1 X0", "G10"),
        ("G33 Z1 K1", "G33"),
        ("M123", "M123"),
        ("#5223=-3", "#5223"),
    ],
)
def test_what_is_not_executed_stops_the_run_with_line_and_word(box, line, word):
    text = probing_text(TOP)
    third = text.index("G38.2", text.index("RECORD 2"))
    text = text[:third] + line + "\n" + text[third:]
    result = run(text, box, probe=6.0)
    assert result.stopped_line == text.splitlines().index(line) + 1
    assert "not executed here" in result.stopped
    assert word in result.stopped
    assert result.table["touch"].tolist() == [1, 2]
    if word == "M123":
        assert run(text, box, probe=6.0, known=["M123"]).stopped == ""


def test_a_miss_ends_the_run_as_the_control_would(box):
    """The third touch is beside the part: the two before it are kept, it is told with its reason, and no more."""
    table = targets_at([[0, 0, 10.0], [5, 0, 10.0], [300, 0, 10.0], [5, 5, 10.0]], [[0, 0, 1.0]] * 4, "top")
    result = run(probing_text(table), box, probe=6.0)
    assert result.table["touch"].tolist() == [1, 2, 3]
    assert result.table["reason"].tolist() == ["", "", "no trigger"]
    assert "no contact" in result.stopped
    assert probing_text(table).splitlines()[result.stopped_line - 1].startswith("G38.2")
    assert "only the ball is watched" in result.sentence


class TestProgramsThatReact:
    def test_a_touch_placed_by_the_one_before(self, box):
        """The second touch starts 3 mm above the height that the first one found."""
        motion = np.eye(4)
        motion[2, 3] = 1.25
        text = (
            "G21 G90 G94\nT9 M6\nG43 H9\nM5\nG0 X0 Y0\nG0 Z16\nG38.2 Z12 F60\n"
            "(PROBEKIT RECORD 1 top 0 0 10 0 0 1)\n#1=#5063\nG0 Z[#1+2]\nG0 X5\nG0 Z[#1+0.5]\nG38.2 Z[#1-0.5] F60\n"
            "(PROBEKIT RECORD 2 top 5 0 10 0 0 1)\nG0 Z[#1+2]\nM30\n"
        )
        result = run(text, AsMade(box, motion=motion), probe=6.0, decimals=9)
        assert result.stopped == ""
        np.testing.assert_allclose(result.table["z"], [14.25, 14.25], atol=2e-7)

    def test_inch_and_incremental(self, box):
        text = (
            "G20 G91 G94\nT9 M6\nG43 H9\nM5\nG90 G0 X0 Y0\nZ1\nG38.2 Z0.4 F2\n(PROBEKIT RECORD 1 top 0 0 10 0 0 1)\n"
            "G91 G0 Z0.2\nM30\n"
        )
        result = run(text, box, probe=6.0, decimals=9)
        assert result.table["z"].iloc[0] == pytest.approx(13.0, abs=2e-7)


class TestHeads:
    def test_a_tilted_head_reports_the_ball_in_the_part_frame(self, box):
        """A head at B 30 with a probe of 100 mm: the control's own kinematics cancels if nothing is wrong."""
        kinematics = Kinematics((RotaryAxis("B", "head"),), gauge=150.0)
        probe = Probe(6.0, 4.0, 50.0, tool_length=100.0)
        start, end = (kinematics.to_program([0.0, 0.0, z], (30.0,), length=100.0) for z in (15.0, 11.0))
        text = (
            "G21 G90 G94\nT9 M6\nG43 H9\nM5\nG0 B30\n"
            + f"G0 X{start[0]:.9f} Y{start[1]:.9f}\nG0 Z{start[2]:.9f}\n"
            + f"G38.2 X{end[0]:.9f} Y{end[1]:.9f} Z{end[2]:.9f} F60\n"
            + "(PROBEKIT RECORD 1 top 0 0 10 0 0 1)\nM30\n"
        )
        result = run(text, box, probe=probe, kinematics=kinematics, decimals=9)
        np.testing.assert_allclose(result.table[["x", "y", "z"]], [[0, 0, 13.0]], atol=3e-7)
        # the probe sees the part's up direction 30 degrees from its own axis
        turn = result.table[["turn_x", "turn_y", "turn_z"]].to_numpy()
        np.testing.assert_allclose(turn, [[0, -30.0, 0]], atol=1e-7)


class TestInput:
    def test_a_touch_recorded_twice(self, box):
        text = probing_text(TOP).replace("RECORD 3 ", "RECORD 1 ")
        with pytest.raises(InputError, match="touch 1 is recorded twice: lines 11 and 23"):
            run(text, box, probe=6.0)

    def test_a_record_without_a_probing_move_and_a_touch_without_a_record(self, box):
        lines = probing_text(TOP).splitlines()
        lines = [line for line in lines if "RECORD 2" not in line]
        lines.insert(-4, "(PROBEKIT RECORD 9 top 0 0 0 0 0 1)")
        result = run("\n".join(lines), box, probe=6.0)
        assert result.table["reason"].tolist() == ["", "", "no probing move before the record"]
        assert any("the touch is not recorded" in words for words in result.findings)

    @pytest.mark.parametrize(
        ("more", "words"),
        [
            ({"probe": 0.0}, "probe"),
            ({"probe": np.nan}, "probe"),
            ({"probe": True}, "probe"),
            ({"rapid": -1.0}, "rapid"),
            ({"decimals": 20}, "decimals"),
            ({"decimals": 2.5}, "decimals"),
            ({"home": (0, 0)}, "home"),
            ({"errors": Scale(x=1.0)}, "errors"),
            ({"errors": [Scale]}, "errors"),
            ({"rng": -1}, "rng"),
            ({"rng": "seed"}, "rng"),
            ({"made": np.zeros((3, 3))}, "made"),
            ({"spindle_angle": np.inf}, "spindle"),
        ],
    )
    def test_arguments(self, box, more, words):
        with pytest.raises(InputError, match=words):
            run(probing_text(TOP), **{"made": box, "probe": 6.0, **more})

    @pytest.mark.parametrize(
        "text", ["", "%", "hello", "(unclosed", "G38.2 Z5", "G38.2\nG38.2 Z1 F0\n", "\x00\x01", "#5061=3"]
    )
    def test_programs_that_make_no_sense_do_not_pass_for_results(self, box, text):
        try:
            result = run(text, box, probe=6.0)
        except InputError:
            return
        assert len(result.table) == 0


def test_five_hundred_touches_are_quick():
    """A lenient bound: measured at well under a second of contacts and two of program."""
    import time

    sphere = ReferenceSphere(100.0)
    table = sphere.targets([(angle, 50, angle) for angle in np.linspace(5, 80, 10)])
    text = probing_text(table)
    start = time.process_time()
    result = run(text, sphere, probe=6.0, errors=ALL, goes_on=True)
    assert len(result.table) == 500
    assert time.process_time() - start < 20.0
