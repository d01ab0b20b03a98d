"""What comes before the cut in the demo's study files: machine, plan, program, and what goes wrong. Invented."""

TABLES = """
# Before the cut: probekit plan, program and simulate on this file. The machine, too, is invented.

[machine]
axes = [
    {letter = "A", moves = "head", limits = [-100, 100]},
    {letter = "C", moves = "table", limits = [-360, 360]},
]
gauge = 150.0  # from the head's pivot to the spindle nose
travel = [[-450, 450], [-450, 450], [-400, 420]]  # of X, Y, Z in the work offset

[[plan]]  # each table: a function of probekit.plan and its arguments
how = "plane"
face = "base_top"
spacing = 30.0

[[plan]]
how = "rings"
face = "bore"
axis = {point = [-45, 26, 0], direction = [0, 0, 1], radius = 10}
depths = [5.0, 15.0]  # below the upper edge
n = 4

[[plan]]
how = "pick"
feature = "slot"
points = [[20, 22, -6], [40, 22, -14], [40, 32, -6], [20, 32, -14],
          [48.83, 23.786, -6], [48.83, 30.214, -14], [11.17, 30.214, -6], [11.17, 23.786, -14]]

[[plan]]
how = "section"  # a curve: all round the foot of the wing
point = [0, 0, 5.5]
normal = [0, 0, 1]
faces = "skin"
spacing = 7.0
feature = "skin"
critical = true

[[plan]]
how = "section"
point = [0, 0, 60]
normal = [0, 0, 1]
faces = "skin"
spacing = 6.0
feature = "skin"

[[plan]]
how = "blue_noise"  # spread evenly, but without rows
faces = "skin"
n = 50
margin = 0  # right up to the edges; those nearer than the radius of the ball are dropped, and that is noted
seed = 4
feature = "skin"

[reach]
poses = [[0, 0], [45, 0], [45, 90], [45, 180], [45, -90],
         [75, 0], [75, 45], [75, 90], [75, 135], [75, 180], [75, -135], [75, -90], [75, -45]]  # A, C
margin = 0.3  # minimum clearance of the probe from everything that it does not touch
standoff = 2.0
overtravel = 0.5
clamps = [
    {kind = "box", name = "clamp left", low = [-90, -12, -20], high = [-58, 12, 12]},
    {kind = "box", name = "clamp right", low = [58, -12, -20], high = [90, 12, 12]},
]

[pace]
positioning = 2000.0
touch = 100.0

[program]
name = "J61-PROBE-1"
dialect = "rs274"  # RS274/NGC; read what it says about release
tool = 20
work_offset = "G54"
warm_up = 20.0
milling = "milling.nc"
after = "OPERATION 4: FINISH THE SKIN"
lift = "G0 Z400"  # up to the tool-change height of this machine

[simulate]  # how the part on the virtual machine was made and clamped, and the errors of that machine
seed = 7
translation = [0.180, -0.120, 0.060]
rotation = [0.030, -0.020, 0.080]
offset = {skin = 0.030}
hills = [
    {centre = [-7.8, -8.22, 60.0], radius = 8.0, height = -0.160, normal = [0, -1, 0]},
    {centre = [12.0, -4.74, 5.5], radius = 9.0, height = 0.120, normal = [0, 1, 0]},
]
errors = [
    {kind = "Lobing", mean = 0.009},
    {kind = "Repeatability", sigma = 0.002},
]
"""
