"""Inputs of a tired person: none is taken in silence, none ends in a traceback, each message names file and key or row.

Every case changes one thing in a tiny study, its touches, its model or its programs, and says what must be told: of
what is refused (status 2) on standard error, of what can be meant ("noted") in the summary.
"""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import pytest
import tiny
from thorough import some

import probekit as pk
from probekit.cli import main

TOP, SIDES, U = 'name = "top"\nwidth = 0.1', 'name = "sides"\nwidth = 0.2', "u = 0.003"


def key(table: str, line: str) -> tuple[str, str]:
    """One more key in a table."""
    return f"[{table}]\n", f"[{table}]\n{line}\n"


def width(value: str) -> tuple[str, str]:
    return "width = 0.1", f"width = {value}"


def more(*lines: str) -> tuple[str, str]:
    """A line of the first tolerance, besides."""
    return TOP, "\n".join([TOP, *lines])


def datums(*tables: str) -> tuple[str, str]:
    return "[[tolerance]]", "\n".join([*(f"[[datum]]\n{one}" for one in tables), "[[tolerance]]"])


A = 'letter = "A"\nkind = "plane"\nfeatures = ["top"]'

#: A drawing whose B is a bore, with a flat face given for it.
FRAME = (("A", "plane", "top"), ("B", "cylinder", "front"), ("C", "plane", "left"))

#: What is changed in study.toml, and what must be told of it beside the name of the file.
STUDY: list[tuple[tuple[str, str], str]] = [
    # --- the file itself
    (("[part]", "[part"), r"not valid TOML"),
    (("[part]", "part = 5\n[[part]]"), r"not valid TOML"),
    (("[part]", "[parts]"), r"'parts': unknown table; expected 'part'"),
    (("[part]\n", "[part]\nx = " + "[" * 3000 + "]" * 3000 + "\n"), r"too deep"),
    (("[part]\n", "[part]\nangle = " + "9" * 5000 + "\n"), r"not valid TOML: .*digit"),
    (("[part]\n", "[part]\nangle = " + "9" * 400 + "\n"), r"'part\.angle'.*implausibly large"),
    (("[stylus]", "[[stylus]]"), r"'stylus': .*wrong form"),
    (("[[tolerance]]", "[[tolerances]]"), r"'tolerances': unknown table"),
    (("[part]", "#" * 4_000_001 + "\n[part]"), r"too large"),
    # --- part
    (('model = "block.stl"', "model = 5"), r"'part\.model': .*wrong type"),
    (('model = "block.stl"', 'model = ""'), r"'part\.model': this must be a non-empty text"),
    (('model = "block.stl"', r'model = "a\u0000.stl"'), r"'part\.model': this must not contain"),
    (('model = "block.stl"', 'model = "nothing.stl"'), r"nothing\.stl: "),
    (('model = "block.stl"', 'model = "touches.csv"'), r"touches\.csv: "),
    (('unit = "mm"', 'unit = "furlong"'), r"'part\.unit': unknown unit of length; found 'furlong'"),
    (('unit = "mm"', 'unit = "mm"\nangle = nan'), r"'part\.angle': this is not a finite number; found nan"),
    (('unit = "mm"', 'unit = "mm"\nangle = -1'), r"'part\.angle': this must be positive; found -1"),
    (('unit = "mm"', 'unit = "mm"\ndeflection = 0'), r"'part\.deflection': this must be positive"),
    (('unit = "mm"', 'unit = "mm"\nbody = ""'), r"'part\.body': .*non-empty"),
    (('unit = "mm"', "unit = 2026-11-28"), r"'part\.unit': .*wrong type"),
    (("top = [30.0, 20.0, 20.0]", "top = []"), r"'part\.faces': 'top': this needs three numbers"),
    (("top = [30.0, 20.0, 20.0]", "top = [30.0, 20.0]"), r"'part\.faces': 'top': this needs three numbers"),
    (("top = [30.0, 20.0, 20.0]", "top = [30.0, inf, 20.0]"), r"'part\.faces\.top': this is not a finite number"),
    (("top = [30.0, 20.0, 20.0]", 'top = [30.0, "20", 20.0]'), r"top"),
    (("top = [30.0, 20.0, 20.0]", "top = true"), r"'part\.faces': 'top': this needs three numbers"),
    (("top = [30.0, 20.0, 20.0]", 'top = "face_99"'), r"face_99"),
    (('unit = "mm"', 'unit = "mm"\nframe = []'), r"'part\.frame': a frame needs two or three faces"),
    # --- touches
    (('file = "touches.csv"', 'file = ""'), r"'touches\.file': .*non-empty"),
    (('file = "touches.csv"', 'file = "nothing.csv"'), r"nothing\.csv: the file cannot be read"),
    (('file = "touches.csv"', 'file = "block.stl"'), r"block\.stl"),
    (('file = "touches.csv"', r'file = "t\u0000.csv"'), r"'touches\.file': this must not contain"),
    (('file = "touches.csv"', 'fiel = "touches.csv"'), r"'touches\.fiel': unknown key; expected 'file'"),
    (('file = "touches.csv"', 'file = "touches.csv"\nskip = -1'), r"'touches\.skip': this is too small"),
    (('file = "touches.csv"', 'file = "touches.csv"\nskip = true'), r"'touches\.skip': .*wrong type"),
    (('file = "touches.csv"', 'file = "touches.csv"\ncolumns = {}'), r"'touches\.columns': the table is empty"),
    (('file = "touches.csv"', 'file = "touches.csv"\npattern = ""'), r"'touches\.pattern': .*non-empty"),
    # --- about
    (("[touches]", '[about]\ndate = "31.02.2026"\n[touches]'), r"'about\.date': there is no such day; found '31\.02"),
    (("[touches]", '[about]\ndate = "2026-13-01 08:00"\n[touches]'), r"'about\.date': there is no such day"),
    (("[touches]", '[about]\ndate = "13/31/2026"\n[touches]'), r"'about\.date': there is no such day"),
    (("[touches]", '[about]\ndate = ""\n[touches]'), r"'about\.date': this must be a non-empty text"),
    # --- stylus
    (("ball_diameter = 6.0", "ball_diameter = 0"), r"'stylus\.ball_diameter': this must be positive; found 0"),
    (("ball_diameter = 6.0", "ball_diameter = -6"), r"'stylus\.ball_diameter': this must be positive"),
    (("ball_diameter = 6.0", 'ball_diameter = "6.0"'), r"'stylus\.ball_diameter': .*wrong type; found '6\.0'"),
    (("ball_diameter = 6.0", "ball_diameter = inf"), r"'stylus\.ball_diameter': this is not a finite number"),
    (("ball_diameter = 6.0", "ball_diameter = 6000"), r"'stylus\.ball_diameter': this is too large"),
    (("ball_diameter = 6.0", 'ball_diameter = "\u0666"'), r"'stylus\.ball_diameter': .*wrong type"),
    (("ball_diameter = 6.0", "ball_diameter = 6.0\neffective_radius = 6.0"), r"'stylus\.effective_radius'.*20 %"),
    (("stem_diameter = 4.0", "stem_diameter = 8.0"), r"'stylus\.stem_diameter'.*thicker than the ball"),
    (("length = 50.0", "length = 0.0"), r"'stylus\.length': this must be positive"),
    (("length = 50.0", "length = 50.0\nbody = []"), r"'stylus\.body': the list is empty"),
    (("length = 50.0", "length = 50.0\nbody = [[50, -25]]"), r"'stylus\.body': number 1 of the list: .*too small"),
    (("length = 50.0", "length = 50.0\ntips = [5]"), r"'stylus\.tips': number 1 of the list: this must be a table"),
    (("length = 50.0", "length = 50.0\nqualification = {}"), r"'stylus\.qualification\.file': .*lacks a key"),
    (
        ("length = 50.0", 'length = 50.0\nqualification = {file = "touches.csv", diameter = nan}'),
        r"'stylus\.qualification\.diameter': this is not a finite number",
    ),
    # --- deviation
    (("max_distance = 2.0", "max_distance = nan"), r"'deviation\.max_distance': this is not a finite number"),
    (("max_distance = 2.0", "max_distance = 0"), r"'deviation\.max_distance': this must be positive"),
    (("max_distance = 2.0", "max_distance = -1"), r"'deviation\.max_distance': this must be positive"),
    (("max_distance = 2.0", "max_distance = true"), r"'deviation\.max_distance': .*wrong type"),
    (("max_distance = 2.0", "ambiguity = -1"), r"'deviation\.ambiguity': this is too small"),
    (key("alignment", 'free = ["tz", "tz"]'), r"'alignment\.free': 'tz' occurs twice in the list"),
    (("[decision]", "[gate]\nform = 5\n[decision]"), r"'gate\.form': this is too large; found 5"),
    (("max_distance = 2.0", 'compensate = "ball"'), r"this value of compensate is not known; found 'ball'"),
    (("max_distance = 2.0", "allowance = {top = nan}"), r"'deviation\.allowance\.top': this is not a finite number"),
    (("max_distance = 2.0", "allowance = {}"), r"'deviation\.allowance': the table is empty"),
    (("max_distance = 2.0", "allowance = {topp = 0.1}"), r"no face with that name; found 'topp'"),
    # --- alignment
    (('features = ["top", "front", "left"]', "features = []"), r"'alignment\.features': the list is empty"),
    (
        ('features = ["top", "front", "left"]', 'features = ["top", "top"]'),
        r"'alignment\.features': 'top' occurs twice",
    ),
    (('features = ["top", "front", "left"]', "features = [[1]]"), r"'alignment\.features': number 1 of the list"),
    (('features = ["top", "front", "left"]', 'features = "top"'), r"'alignment\.features': .*wrong type"),
    (('features = ["top", "front", "left"]', 'features = ["topp"]'), r"topp"),
    (key("alignment", "pivot = [nan, 0, 0]"), r"'alignment\.pivot': this is not a finite number"),
    (key("alignment", "pivot = [0, 0]"), r"'alignment\.pivot': this needs three numbers"),
    (key("alignment", 'pivot = ["0", 0, 0]'), r"'alignment\.pivot': this needs three numbers: this must be a number"),
    (key("alignment", "pivot = [true, 0, 0]"), r"'alignment\.pivot': this needs three numbers"),
    (key("alignment", 'free = ["up"]'), r"unknown degree of freedom; found 'up'"),
    (key("alignment", 'method = "best"'), r"'alignment\.method': this is not known here; found 'best'"),
    (key("alignment", "free = []"), r"'alignment\.free': the list is empty"),
    (key("alignment", 'datums = ["A"]'), r"'alignment\.datums': there is no datum with that letter; found 'A'"),
    # --- machine
    (
        ("[deviation]", "[machine]\ntranslation = [1, 2]\n[deviation]"),
        r"'machine\.translation': this needs three numbers",
    ),
    (("[deviation]", "[machine]\nrotation = [nan, 0, 0]\n[deviation]"), r"'machine\.rotation': .*not a finite number"),
    # --- datums
    (datums(A, A), r"'datum 2\.letter': two tables \[\[datum\]\] have the same letter; found 'A'"),
    (datums(A.replace('"A"', '""')), r"'datum\.letter': this must be a non-empty text"),
    (datums(A.replace('"A"', '"A(M)"')), r"'datum\.letter': this must not contain '\('"),
    (datums(A.replace('["top"]', "[]")), r"'datum\.features': the list is empty"),
    (datums(A.replace('letter = "A"\n', "")), r"'datum\.letter': the table \[datum\] lacks a key"),
    (datums(A + "\ntargets = [5]"), r"'datum\.targets': number 1 of the list: this must be a table"),
    (datums(A.replace('"plane"', '"cloud"')), r"unknown kind of datum"),
    # --- tolerances
    (width("0"), r"'tolerance 1\.width': this must be positive; found 0"),
    (width("-0.1"), r"'tolerance 1\.width': this must be positive"),
    (width("nan"), r"'tolerance 1\.width': this is not a finite number; found nan"),
    (width("inf"), r"'tolerance 1\.width': this is not a finite number"),
    (width("5e-324"), r"'tolerance 1\.width': this is too small"),
    (width("1e-300"), r"'tolerance 1\.width': this is too small"),
    (width("1e308"), r"'tolerance 1\.width'.*implausibly large"),
    (width('"0.1"'), r"'tolerance 1\.width': .*wrong type; found '0\.1'"),
    (width('"\uff10.\uff11"'), r"'tolerance 1\.width': .*wrong type"),
    (width("true"), r"'tolerance 1\.width': .*wrong type"),
    (width("[0.1]"), r"'tolerance 1\.width': .*wrong type"),
    (width("0.1.2"), r"not valid TOML"),
    (width("0,1"), r"not valid TOML"),
    (("width = 0.1\n", ""), r"'tolerance 1\.width': the table \[tolerance\] lacks a key"),
    (('features = ["top"]\n', "features = []\n"), r"'tolerance 1\.features': the list is empty"),
    (('features = ["top"]\n', 'features = ["top", "top"]\n'), r"'tolerance 1\.features': 'top' occurs twice"),
    (('features = ["top"]\n', 'features = ["tpo"]\n'), r"no touch is on that feature; found 'tpo'"),
    (('features = ["top"]\n', "features = [1]\n"), r"'tolerance 1\.features': number 1 of the list"),
    (('name = "sides"', 'name = "top"'), r"'tolerance\.name': two tolerances have the same name; found 'top'"),
    (('name = "top"', 'name = ""'), r"'tolerance 1\.name': this must be a non-empty text"),
    (('name = "top"', f'name = "{"x" * 5000}"'), r"'tolerance 1\.name': the text has 5000 characters"),
    (('name = "top"', 'kind = "flat"'), r"'tolerance 1\.kind'.*found 'flat'; expected 'flatness'"),
    (more("between = {z = [20, 10]}"), r"'tolerance 1\.between': 'z': this needs two numbers, each above the one"),
    (more("between = {z = 5}"), r"'tolerance 1\.between': 'z': this needs two numbers"),
    (more("between = {}"), r"'tolerance 1\.between': the table is empty"),
    (more('datums = ["A", "A"]'), r"'tolerance 1\.datums': 'A' occurs twice"),
    (more("datums = []"), r"'tolerance 1\.datums': the list is empty"),
    (more("unit = 0"), r"'tolerance 1\.unit': this must be positive"),
    (more('free = ["up"]'), r"up"),
    (more("each = 1"), r"'tolerance 1\.each': .*expected true or false"),
    (
        more('kind = "size"', "limits = [10.1, 9.9]"),
        r"'tolerance 1\.limits': this needs two numbers, each above the one",
    ),
    (more('kind = "size"', "limits = [10.1]"), r"'tolerance 1\.limits': this needs two numbers"),
    (
        more('kind = "position"', "direction = [0, 0, 0]"),
        r"'tolerance 1\.direction': a direction cannot have three zero",
    ),
    (more('kind = "angularity"', "angle = nan"), r"'tolerance 1\.angle': this is not a finite number"),
    # --- uncertainty and decision
    ((U, "u = -0.003"), r"'uncertainty\.u': this is too small; found -0\.003"),
    ((U, "u = 3e-8"), r"'uncertainty\.u': this is too small; found 3e-08; expected 0, or a number, 1e-05 to 1"),
    ((U, "u = nan"), r"'uncertainty\.u': this is not a finite number"),
    ((U, "u = 3"), r"'uncertainty\.u': this is too large; found 3; .*It is in mm: 3 um are 0\.003"),
    ((U, 'u = "0.003"'), r"'uncertainty\.u': .*wrong type"),
    ((U, "u = true"), r"'uncertainty\.u': .*wrong type"),
    ((U + "\n", ""), r"'uncertainty\.u': the table \[uncertainty\] lacks a key"),
    (("k = 2.0", "k = 0"), r"'uncertainty\.k': this must be positive"),
    (("k = 2.0", "k = 200"), r"'uncertainty\.k': this is too large"),
    (('rule = "guarded"', 'rule = "hopeful"'), r"'decision\.rule'.*found 'hopeful'"),
    (('rule = "guarded"', 'rule = "guarded"\nr = -1'), r"'decision\.r': this is too small"),
    (('rule = "guarded"', 'rule = "guarded"\nr = nan'), r"'decision\.r': this is not a finite number"),
]

#: The same of what is only used before the cut; a grid has two numbers, as the reference of `probekit.plan` says.
BEFORE: list[tuple[tuple[str, str], str]] = [
    (("spacing = 20.0", "spacing = 0"), r"'plan\.spacing': this must be positive"),
    (("spacing = 20.0", "spacing = 0.1"), r"'plan 1': the spacing would give too many targets; found 0\.1; .*100000"),
    (("spacing = 20.0", "spacing = 0.6"), r"'plan': the study plans too many touches; .*expected at most 5000"),
    (("spacing = 20.0", "spacing = nan"), r"'plan\.spacing': this is not a finite number"),
    (("spacing = 20.0", "n = 1000000000"), r"'plan\.n': this is too large"),
    (("spacing = 20.0", "n = 3"), r"'plan 1\.n': plane needs two numbers; found 3; .*n = \[5, 3\]"),
    (("spacing = 20.0", "n = [3]"), r"'plan\.n': this needs two numbers"),
    (("spacing = 20.0", "spacing = 20.0\nseed = -1"), r"'plan\.seed': this is too small"),
    (("spacing = 20.0", 'spacing = 20.0\nseed = "a"'), r"'plan\.seed': this must be a number"),
    (("spacing = 20.0", "spacing = 20.0\nseed = 1.5"), r"'plan\.seed': this must be a whole number"),
    (('how = "plane"', 'how = "plan"'), r"'plan 1'.*found 'plan'"),
    (('how = "plane"', 'how = ""'), r"'plan\.how': .*non-empty"),
    (('face = "top"', "face = 5"), r"plan 1|face"),
    (('face = "top"', 'face = "tpo"'), r"tpo"),
    (("margin = 1.0", "margin = nan"), r"'reach\.margin': this is not a finite number"),
    (("margin = 1.0", "margin = -1"), r"'reach\.margin': this is too small"),
    (("standoff = 2.0", "standoff = 0"), r"'reach\.standoff': this must be positive"),
    (("standoff = 2.0", "standoff = 0.0001"), r"'reach\.standoff': this is too small; found 0\.0001"),
    (("overtravel = 0.5", "overtravel = 0.0005"), r"'reach\.overtravel': this is too small"),
    (("margin = 1.0", "poses = [[nan, 0]]"), r"'reach\.poses': this is not a finite number"),
    (("margin = 1.0", "clamps = [5]"), r"'reach\.clamps': number 1 of the list: this must be a table"),
    (("margin = 1.0", 'clamps = [{kind = "wedge"}]'), r"'reach\.clamps'.*unknown kind"),
    (("margin = 1.0", 'fixtures = ["nothing.stl"]'), r"nothing\.stl"),
    (("[program]", "[pace]\ntouch = 0\n[program]"), r"'pace\.touch': this must be positive"),
    (("tool = 20", "tool = -1"), r"'program\.tool': this is too small"),
    (("tool = 20", "tool = 20.5"), r"'program\.tool': .*wrong type"),
    (("tool = 20\n", ""), r"'program\.tool'.*the tool number of the probe is not stated"),
    (("tool = 20", "tool = 20\nclearance = nan"), r"'program\.clearance': this is not a finite number"),
    (("tool = 20", "tool = 20\nstop_outside = [0.2, -0.2]"), r"'program\.stop_outside': this needs two numbers"),
    (("tool = 20", 'tool = 20\ndialect = "nothing.toml"'), r"nothing\.toml"),
    (('milling = "milling.nc"', 'milling = "nothing.nc"'), r"nothing\.nc"),
    (('after = "OPERATION 1"', 'after = "OPERATION 9"'), r"OPERATION 9"),
    (("home = [0.0, 0.0, 200.0]", "home = [0.0, 0.0]"), r"'simulate\.home': this needs three numbers"),
    (("seed = 1\nhome", "seed = -1\nhome"), r"'simulate\.seed': this is too small"),
    (("sigma = 0.001", "sigma = nan"), r"'simulate\.errors\.sigma': this is not a finite number"),
    (("seed = 1\nhome", "hills = [5]\nhome"), r"'simulate\.hills': number 1 of the list: this must be a table"),
    (("seed = 1\nhome", "offset = {tpo = 0.1}\nhome"), r"tpo"),
    (
        ('{kind = "Repeatability", sigma = 0.001}', "{}"),
        r"'simulate\.errors': number 1 of the list: the table is empty",
    ),
]

ROW = "3,top,30.0000,12.0000,20.0000,"

#: What is changed in touches.csv (a regular expression), and what must be told.
TOUCHES: list[tuple[str, str, str]] = [
    (r"# unit: mm\n", "", r"does not say 'unit'"),
    (r"# unit: mm", "# unit: cm", r"line 1, column 'unit': .*found 'cm'"),
    (r"# recorded: centre\n", "", r"does not say 'recorded'"),
    (r"# recorded: centre", "# recorded: tip", r"line 2, column 'recorded'"),
    (r"# rows: 18", "# rows: 19", r"does not hold as many rows as it states; found '18 rows'; expected 19 rows"),
    (r"# rows: 18", "# rows: \u0661\u0668", r"line 4, column 'rows': the value is not a number"),
    (r"\n3,top,", "\n\u0663,top,", r"line 8, column 'touch': .*digits of another script; found '\u0663'"),
    (r"\n3,top,30", "\n3,top,\u0663\u0660", r"line 8, column 'x0': the cell does not hold a number"),
    (r"\n3,top,30", "\n3,top,\uff13\uff10", r"line 8, column 'x0': the cell does not hold a number"),
    (r"\n3,top,30.0000", "\n3,top,3_0", r"line 8, column 'x0': the cell does not hold a number"),
    (r"\n3,top,30.0000", "\n3,top,inf", r"line 8, column 'x0': infinite number"),
    (r"\n3,top,30.0000", "\n3,top,", r"line 8, column 'x0': .*given only in part"),
    (r"\n3,top,30.0000", "\n3,top,1e999", r"line 8, column 'x0': infinite number"),
    (r"\n3,top,30.0000", "\n3,top,0x1E", r"line 8, column 'x0': the cell does not hold a number"),
    (r"\n3,top,30.0000", "\n3,top,30;0", r"line 8, column 'x0': the cell does not hold a number"),
    (r"\n3,top,", "\n2,top,", r"line 8, column 'touch': an id occurs twice"),
    (r"\n3,top,", "\n,top,", r"line 8, column 'touch': the touch has no id"),
    (r"(\n3,top,.*?),0.0000,0.0000,1.0000,", r"\1,0.0,0.0,0.0,", r"line 8, column 'i': i, j, k are not a unit vector"),
    (r"(\n3,top,.*),\n", r"\1\n", r"line 8: the row has too few fields"),
    (r"(\n3,top,.*),\n", r"\1,,\n", r"line 8: the row has too many fields"),
    (r"(\n3,top,.*),\n", r'\1,"\n', r"cannot be split into fields"),
    (r"(\n3,top,.*),\n", r"\1,broken\n", r"line 8, column 'reason': a measured position and a reason"),
    (r"reason\n", "x\n", r"line 5, column 'x': a column occurs twice"),
    (r",feature,", ",featrue,", r"line 5: required columns are missing: feature"),
    (r"\ntouch,", "\ntouch;", r"line 5"),
    (r"(?s).*", "", r"the file is empty"),
    (r"(?s)\n1,.*", "\n", r"the file holds no touches"),
    (r"(?s)\ntouch.*", "\n", r"the file ends before the header"),
    (r"block 1", "block \0", r"NUL"),
    (r"# part: block 1", "# date: 31.02.2026", r"column 'date': there is no such day; found '31\.02\.2026'"),
    (r"# part: block 1", "# temperature: warm", r"line 3, column 'temperature': the value is not a number"),
]

#: What can be meant, but is odd: the summary says so.
NOTED: list[tuple[tuple[str, str], str]] = [
    ((U, "u = 0"), r"u = 0 states that touches have no error at all"),
    ((U, "u = 0.03"), r"tolerance 'top': no touch can be within: its width of 0\.1 mm is less than both guard bands"),
    (('rule = "guarded"', 'rule = "guarded"\nr = 0'), r"r = 0 leaves no guard band"),
    (width("150"), r"tolerance 'top': a width of 150 mm is more than a tenth of the part .*micrometres"),
    (more("outside = 9"), r"tolerance 'top': the nominal surface itself lies outside the zone: outside = 9 mm"),
    (more("outside = -1"), r"outside = -1 mm of a width of 0\.1 mm"),
    (more('datums = ["A", "B"]'), r"tolerance 'top' names the datums A, B, and the study has no \[\[datum\]\]"),
    (("max_distance = 2.0", "max_distance = 2000"), r"max_distance = 2000 mm is more than the size of the part"),
    (
        ("[deviation]", "[machine]\ntranslation = [0.5, 0.0, 0.0]\n[deviation]"),
        r"sits up to 0\.50\d mm, at the median touch 0\.(499|50\d) mm, from where \[machine\] places it",
    ),
    (("[touches]", '[about]\ndate = "11.02.2099"\n[touches]'), r"date: 11\.02\.2099 is yet to come"),
    (('name = "top"', r'name = "t\u202eop"'), r"tolerance 1\.name contains an invisible character"),
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiny.write(tmp_path_factory.mktemp("tiny")).parent


def refused(folder: Path, capsys: pytest.CaptureFixture[str], message: str, *, command: str = "inspect") -> None:
    status = main([command, str(folder / "study.toml"), "--to", str(folder / "out")])
    told = capsys.readouterr()
    written = (folder / "out").exists()
    shutil.rmtree(folder / "out", ignore_errors=True)
    assert "Traceback" not in told.err
    assert status == 2, told.out
    assert told.out == ""
    assert told.err.count("\n") == 1
    assert re.search(message, told.err), told.err
    assert str(folder) in told.err, told.err  # the file that is wrong
    assert not written


@pytest.mark.parametrize(("change", "message"), STUDY)
def test_a_study(folder: Path, capsys: pytest.CaptureFixture[str], change: tuple[str, str], message: str) -> None:
    tiny.write_study(folder, change)
    refused(folder, capsys, message)


def test_a_frame_that_the_touches_do_not_carry_is_said_of_all_that_rests_on_it(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    frame = "".join(f'[[datum]]\nletter = "{one}"\nkind = "{kind}"\nfeatures = "{face}"\n' for one, kind, face in FRAME)
    old = '[alignment]\nfeatures = ["top", "front", "left"]'
    tiny.write_study(folder, (old, frame + '[alignment]\ndatums = ["A", "B", "C"]'))
    assert main(["inspect", str(folder / "study.toml"), "--to", str(tmp_path / "out")]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "UNDECIDED" in said
    assert "top: not judged: the alignment cannot be made: the targets of datum B are too close together" in said


def test_the_two_numbers_of_a_grid_are_taken(tmp_path):
    planned = pk.study.plan(pk.study.load(tiny.write(tmp_path, ("spacing = 20.0", "n = [4, 2]"))))
    assert len(planned.targets) == 8


@pytest.mark.parametrize(("change", "message"), BEFORE)
def test_what_comes_before_the_cut(
    folder: Path, capsys: pytest.CaptureFixture[str], change: tuple[str, str], message: str
) -> None:
    tiny.write_study(folder, change)
    refused(folder, capsys, message, command="simulate")


@pytest.mark.parametrize(("old", "new", "message"), TOUCHES)
def test_touches(tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, message: str) -> None:
    tiny.write(tmp_path)
    text, count = re.subn(old, new, tiny.touches(), count=1)
    assert count == 1
    (tmp_path / "touches.csv").write_text(text, encoding="utf-8")
    refused(tmp_path, capsys, r"touches\.csv(?s:.*)" + message)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("block.stl", b""),
        ("block.stl", b"solid block\nfacet normal 0 0 1\n"),
        ("block.stl", b"\0" * 84),
        ("block.stl", b"\0" * 80 + b"\xff\xff\xff\xff" + b"\0" * 50),
        ("block.stl", b"<html>not found</html>"),
        ("milling.nc", b""),
        ("milling.nc", b"\xff\xfe\0\0"),
        ("milling.nc", b"%\n(OPERATION 2)\nM30\n%\n"),
    ],
)
def test_models_and_programs(tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, content: bytes) -> None:
    tiny.write(tmp_path)
    (tmp_path / name).write_bytes(content)
    refused(tmp_path, capsys, re.escape(name), command="inspect" if name == "block.stl" else "program")


@pytest.mark.parametrize(("change", "message"), some(NOTED))
def test_what_is_odd_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], change: tuple[str, str], message: str
) -> None:
    study = tiny.write(tmp_path, change)
    assert main(["inspect", str(study)]) in (0, 1)
    told = capsys.readouterr()
    assert told.err == ""
    assert re.search(message, " ".join(told.out.split())), told.out


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("\n3,top,", "\n=cmd|' /C calc'!A0,top,", r"column 'touch': 1 cells begin like a spreadsheet formula"),
        (
            "# part: block 1",
            "# temperature: 900",
            r"a temperature of 900 degrees Celsius is not a workshop temperature",
        ),
        (
            "\n3,top,",
            "\na\u202eb,top,",
            r"column 'touch': 1 cells hold a character .* reverses the direction of reading",
        ),
    ],
)
def test_odd_touches_are_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, message: str
) -> None:
    study = tiny.write(tmp_path)
    (tmp_path / "touches.csv").write_text(tiny.touches().replace(old, new), encoding="utf-8")
    assert main(["inspect", str(study)]) in (0, 1)
    assert re.search(message, " ".join(capsys.readouterr().out.split()))


def test_more_touches_than_can_be_judged_together_are_refused(tmp_path, capsys):
    """Their errors are judged together, in memory that grows with the square of their number."""
    tiny.write(tmp_path)
    head, _, row = tiny.touches().replace("# rows: 18\n", "").partition("\n1,")
    cells = row.splitlines()[0].split(",")
    rows = [",".join([str(n), *cells[:9], f"{float(cells[9]) + 1e-5 * n:.5f}", ""]) for n in range(1, 5002)]
    (tmp_path / "touches.csv").write_text(head + "\n" + "\n".join(rows) + "\n")
    refused(tmp_path, capsys, r"touches\.csv: there are too many touches .*found '5001 touches'.*at most 5000")


def with_u(value: str) -> str:
    """The touches with a column u that says the same of all."""
    lines = tiny.touches().splitlines()
    head = next(n for n, line in enumerate(lines) if line.startswith("touch,"))
    return "\n".join([*lines[:head], lines[head] + ",u", *(f"{line},{value}" for line in lines[head + 1 :])]) + "\n"


@pytest.mark.parametrize("value", ["3.0", "-0.003"])
def test_an_uncertainty_of_a_touch_that_cannot_be_in_millimetres_is_refused(tmp_path, capsys, value):
    tiny.write(tmp_path)
    (tmp_path / "touches.csv").write_text(with_u(value))
    refused(tmp_path, capsys, r"touches\.csv, line 6, column 'u': .*found -?\d.*3 um are 0\.003 mm")


def test_an_uncertainty_a_hundred_times_the_residuals_wants_a_look(tmp_path, capsys):
    """0.3 um, written as 0.3, of touches that scatter by 2 um; the limits are wide enough for all of them to pass."""
    study = tiny.write(tmp_path, ("width = 0.1", "width = 1.9"), ("width = 0.2", "width = 1.9"))
    (tmp_path / "touches.csv").write_text(with_u("0.3"))
    assert main(["inspect", str(study)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "agree far better than their stated uncertainty" in said[: said.index("Tolerances")]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes of POSIX")
@pytest.mark.parametrize("name", ["touches.csv", "study.toml"])
def test_a_pipe_that_nobody_writes_into_does_not_hang(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    tiny.write(tmp_path)
    (tmp_path / name).unlink()
    os.mkfifo(tmp_path / name)
    refused(tmp_path, capsys, rf"{re.escape(name)}: .*(pipe|not a file)")


def test_there_are_enough_of_them() -> None:
    assert len(STUDY) + len(BEFORE) + len(TOUCHES) + len(NOTED) >= 120
