"""The demo part "foil" as a STEP file with its exact surfaces, written entity by entity. All of it is invented.

No CAD kernel takes part, so the same bytes come out everywhere. Entities are those of ISO 10303-42 (geometry and
topology) in the frame of ISO 10303-214, the text is that of ISO 10303-21. An entity that is written twice gets one
number, which is how neighbouring faces come to share their edges. Seen from outside, loops run with the face on their
left.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from foil_shape import BASE, BORE, DEGREE, HEIGHT, KNOTS_U, KNOTS_V, POLES, SLOT

HEADER = """\
ISO-10303-21;
HEADER;
FILE_DESCRIPTION(('Foil J61, an invented demo part: wing on a base'),'2;1');
FILE_NAME('foil.step','2026-01-01T00:00:00',(''),(''),'data/foil_step.py','','');
FILE_SCHEMA(('AUTOMOTIVE_DESIGN { 1 0 10303 214 1 1 1 1 }'));
ENDSEC;
DATA;
"""

Point = tuple[float, float, float]
UP, DOWN = (0.0, 0.0, 1.0), (0.0, 0.0, -1.0)


class Entities:
    """The data section: entities by text, numbered as they are first met."""

    def __init__(self) -> None:
        self.number: dict[str, int] = {}

    def add(self, text: str) -> str:
        """Reference to an entity, which is entered if it is new."""
        return f"#{self.number.setdefault(text, len(self.number) + 1)}"

    def point(self, at: Iterable[float]) -> str:
        """Enter a point [mm]."""
        return self.add(f"CARTESIAN_POINT('',{_list(map(_real, at))})")

    def direction(self, to: Point) -> str:
        """Enter a direction."""
        return self.add(f"DIRECTION('',{_list(map(_real, to))})")

    def axes(self, origin: Point, z: Point = UP, x: Point = (1.0, 0.0, 0.0)) -> str:
        """Enter a coordinate system."""
        return self.add(f"AXIS2_PLACEMENT_3D('',{self.point(origin)},{self.direction(z)},{self.direction(x)})")

    def edge(self, start: Iterable[float], end: Iterable[float], curve: str, along: bool = True) -> str:
        """Enter an edge that runs from start to end of its curve, to be passed along it or against it."""
        first, last = (self.add(f"VERTEX_POINT('',{self.point(at)})") for at in (start, end))
        edge = self.add(f"EDGE_CURVE('',{first},{last},{curve},.T.)")
        return self.add(f"ORIENTED_EDGE('',*,*,{edge},{_flag(along)})")

    def line(self, start: Iterable[float], end: Iterable[float]) -> str:
        """Enter a straight edge."""
        first, last = tuple(map(float, start)), tuple(map(float, end))
        low, high = sorted((first, last))
        step = np.subtract(high, low)
        to = self.direction(tuple(step / np.linalg.norm(step)))
        vector = self.add(f"VECTOR('',{to},1.)")
        line = self.add(f"LINE('',{self.point(low)},{vector})")
        return self.edge(low, high, line, along=(low == first))

    def arc(self, centre: Point, radius: float, start: float, end: float) -> str:
        """Enter an edge on a circle in a level plane, from one angle to another [degree]; up is counter-clockwise."""
        circle = self.add(f"CIRCLE('',{self.axes(centre)},{_real(radius)})")
        first, last = (_on_circle(centre, radius, angle) for angle in sorted((start, end)))
        return self.edge(first, last, circle, along=start < end)

    def spline(self, poles: np.ndarray, knots: np.ndarray, along: bool = True) -> str:
        """Enter an edge on a whole B-spline curve, the ends of which are its first and last pole."""
        value, count = _multiplicity(knots)
        curve = self.add(
            f"B_SPLINE_CURVE_WITH_KNOTS('',{DEGREE},{_list(map(self.point, poles))},.UNSPECIFIED.,.F.,.F.,"
            f"{count},{value},.UNSPECIFIED.)"
        )
        return self.edge(poles[0], poles[-1], curve, along)

    def patch(self, poles: np.ndarray, degrees: tuple[int, int], knots: tuple[np.ndarray, np.ndarray]) -> str:
        """Enter a B-spline surface."""
        (value_u, count_u), (value_v, count_v) = (_multiplicity(k) for k in knots)
        net = _list(_list(map(self.point, row)) for row in poles)
        return self.add(
            f"B_SPLINE_SURFACE_WITH_KNOTS('',{degrees[0]},{degrees[1]},{net},.UNSPECIFIED.,.F.,.F.,.F.,"
            f"{count_u},{count_v},{value_u},{value_v},.UNSPECIFIED.)"
        )

    def plane(self, origin: Point, normal: Point) -> str:
        """Enter a plane by a point and its outward normal."""
        return self.add(f"PLANE('',{self.axes(origin, normal, UP if normal[2] == 0 else (1.0, 0.0, 0.0))})")

    def cylinder(self, axis: tuple[float, float], radius: float) -> str:
        """Enter an upright cylinder by the x and y of its axis."""
        return self.add(f"CYLINDRICAL_SURFACE('',{self.axes((*axis, 0.0))},{_real(radius)})")

    def face(self, name: str, surface: str, outer: list[str], *holes: list[str], outward: bool = True) -> str:
        """Enter a face: its surface, whether that one's normal points outward, and its loops of edges."""
        loops = [self.add(f"EDGE_LOOP('',{_list(loop)})") for loop in (outer, *holes)]
        kinds = ["FACE_OUTER_BOUND", *["FACE_BOUND"] * len(holes)]
        bounds = [self.add(f"{kind}('',{loop},.T.)") for kind, loop in zip(kinds, loops, strict=True)]
        return self.add(f"ADVANCED_FACE('{name}',{_list(bounds)},{surface},{_flag(outward)})")


def build() -> str:
    """Text of foil.step."""
    entities = Entities()
    shell = entities.add(f"CLOSED_SHELL('',{_list([*_wing(entities), *_base(entities), *_bore_and_slot(entities)])})")
    _product(entities, entities.add(f"MANIFOLD_SOLID_BREP('foil',{shell})"))
    lines = [f"#{number}={text};\n" for text, number in entities.number.items()]
    return HEADER + "".join(lines) + "ENDSEC;\nEND-ISO-10303-21;\n"


def _wing(to: Entities) -> list[str]:
    root, tip, first, last = POLES[:, 0], POLES[:, -1], POLES[0], POLES[-1]
    skin = to.patch(POLES, (DEGREE, DEGREE), (KNOTS_U, KNOTS_V))
    trailing = to.patch(np.stack([last, first]), (1, DEGREE), (np.array([0.0, 0.0, 1.0, 1.0]), KNOTS_V))
    return [
        to.face(
            "skin",
            skin,
            [to.spline(root, KNOTS_U), to.spline(last, KNOTS_V), to.spline(tip, KNOTS_U, False),
             to.spline(first, KNOTS_V, False)],
        ),
        to.face(
            "trailing_edge",
            trailing,
            [to.line(root[-1], root[0]), to.spline(first, KNOTS_V), to.line(tip[0], tip[-1]),
             to.spline(last, KNOTS_V, False)],
        ),
        to.face("tip", to.plane((0.0, 0.0, HEIGHT), UP), [to.spline(tip, KNOTS_U), to.line(tip[-1], tip[0])]),
    ]  # fmt: skip


def _base(to: Entities) -> list[str]:
    x, y, low = BASE[0] / 2.0, BASE[1] / 2.0, -BASE[2]
    corners = [(-x, -y), (x, -y), (x, y), (-x, y)]
    root = POLES[:, 0]
    wing = [to.spline(root, KNOTS_U, False), to.line(root[0], root[-1])]
    top, bottom = ([(*corner, z) for corner in corners] for z in (0.0, low))
    ways = {"side_front": (0.0, -1.0, 0.0), "side_right": (1.0, 0.0, 0.0), "side_back": (0.0, 1.0, 0.0),
            "side_left": (-1.0, 0.0, 0.0)}  # fmt: skip
    sides = [
        to.face(name, to.plane(bottom[k], normal), _ring(to, [bottom[k], bottom[k - 3], top[k - 3], top[k]]))
        for k, (name, normal) in enumerate(ways.items())
    ]
    return [
        to.face("base_top", to.plane((0.0, 0.0, 0.0), UP), _ring(to, top), wing, *_openings(to, 0.0, True)),
        to.face("base_bottom", to.plane((0.0, 0.0, low), DOWN), _ring(to, bottom[::-1]), *_openings(to, low, False)),
        *sides,
    ]


def _openings(to: Entities, z: float, clockwise: bool) -> list[list[str]]:
    """Loops of bore and slot in a level plane, clockwise or not as seen from above."""
    bore_x, bore_y, bore_radius = BORE
    left, right, y, radius = SLOT
    a, b, c, d = _slot_corners(z)
    if clockwise:
        slot = [to.line(b, a), to.arc((left, y, z), radius, 270.0, 90.0), to.line(d, c),
                to.arc((right, y, z), radius, 90.0, -90.0)]  # fmt: skip
        return [[to.arc((bore_x, bore_y, z), bore_radius, 360.0, 0.0)], slot]
    slot = [to.line(a, b), to.arc((right, y, z), radius, -90.0, 90.0), to.line(c, d),
            to.arc((left, y, z), radius, 90.0, 270.0)]  # fmt: skip
    return [[to.arc((bore_x, bore_y, z), bore_radius, 0.0, 360.0)], slot]


def _bore_and_slot(to: Entities) -> list[str]:
    low = -BASE[2]
    x, y, radius = BORE
    seam = [(x + radius, y, z) for z in (low, 0.0)]
    bore = [to.arc((x, y, low), radius, 360.0, 0.0), to.line(*seam), to.arc((x, y, 0.0), radius, 0.0, 360.0),
            to.line(*seam[::-1])]  # fmt: skip
    faces = [to.face("bore", to.cylinder((x, y), radius), bore, outward=False)]
    left, right, y, radius = SLOT
    (a, b, c, d), (e, f, g, h) = (_slot_corners(z) for z in (low, 0.0))

    def end(name: str, x: float, start: float, corners: tuple[Point, ...]) -> str:
        first, last, above_last, above_first = corners
        loop = [to.arc((x, y, low), radius, start + 180.0, start), to.line(first, last),
                to.arc((x, y, 0.0), radius, start, start + 180.0), to.line(above_last, above_first)]  # fmt: skip
        return to.face(name, to.cylinder((x, y), radius), loop, outward=False)

    return [
        *faces,
        to.face("slot_1", to.plane(a, (0.0, 1.0, 0.0)), _ring(to, [b, a, e, f])),
        end("slot_2", right, -90.0, (b, f, g, c)),
        to.face("slot_3", to.plane(d, (0.0, -1.0, 0.0)), _ring(to, [d, c, g, h])),
        end("slot_4", left, 90.0, (d, h, e, a)),
    ]


def _slot_corners(z: float) -> list[Point]:
    left, right, y, radius = SLOT
    return [(left, y - radius, z), (right, y - radius, z), (right, y + radius, z), (left, y + radius, z)]


def _ring(to: Entities, corners: list[Point]) -> list[str]:
    """Edges of a polygon."""
    return [to.line(a, b) for a, b in zip(corners, [*corners[1:], corners[0]], strict=True)]


def _product(to: Entities, solid: str) -> None:
    """Enter what ISO 10303-214 wants round a solid: a product, its definition, its representation, units."""
    context = to.add("APPLICATION_CONTEXT('core data for automotive mechanical design processes')")
    to.add(f"APPLICATION_PROTOCOL_DEFINITION('international standard','automotive_design',2000,{context})")
    product_context = to.add(f"PRODUCT_CONTEXT('',{context},'mechanical')")
    product = to.add(f"PRODUCT('foil','Foil J61 (invented)','',({product_context}))")
    to.add(f"PRODUCT_RELATED_PRODUCT_CATEGORY('part',$,({product}))")
    version = to.add(f"PRODUCT_DEFINITION_FORMATION('','',{product})")
    stage = to.add(f"PRODUCT_DEFINITION_CONTEXT('part definition',{context},'design')")
    definition = to.add(f"PRODUCT_DEFINITION('design','',{version},{stage})")
    shape = to.add(f"PRODUCT_DEFINITION_SHAPE('','',{definition})")
    length = to.add("(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.))")
    angle = to.add("(NAMED_UNIT(*)PLANE_ANGLE_UNIT()SI_UNIT($,.RADIAN.))")
    solid_angle = to.add("(NAMED_UNIT(*)SI_UNIT($,.STERADIAN.)SOLID_ANGLE_UNIT())")
    accuracy = to.add(
        f"UNCERTAINTY_MEASURE_WITH_UNIT(LENGTH_MEASURE(1.E-07),{length},'distance_accuracy_value','vertices on edges')"
    )
    space = to.add(
        f"(GEOMETRIC_REPRESENTATION_CONTEXT(3)GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT(({accuracy}))"
        f"GLOBAL_UNIT_ASSIGNED_CONTEXT(({length},{angle},{solid_angle}))REPRESENTATION_CONTEXT('',''))"
    )
    model = to.add(f"ADVANCED_BREP_SHAPE_REPRESENTATION('',({to.axes((0.0, 0.0, 0.0))},{solid}),{space})")
    to.add(f"SHAPE_DEFINITION_REPRESENTATION({shape},{model})")


def _on_circle(centre: Point, radius: float, angle: float) -> Point:
    """Find a point of a circle at a multiple of 90 degrees, where no rounding occurs."""
    quarter = round(angle / 90.0) % 4
    x, y = ((1, 0), (0, 1), (-1, 0), (0, -1))[quarter]
    return centre[0] + radius * x, centre[1] + radius * y, centre[2]


def _multiplicity(knots: np.ndarray) -> tuple[str, str]:
    """Distinct knots and how often each occurs, as lists."""
    value, count = np.unique(knots, return_counts=True)
    return _list(map(_real, value)), _list(map(str, count))


def _real(value: float) -> str:
    """Write a number so that it reads back the same, with the point that ISO 10303-21 wants."""
    text = repr(float(value) + 0.0)
    return text.removesuffix("0") if text.endswith(".0") else text


def _flag(value: bool) -> str:
    return ".T." if value else ".F."


def _list(items: Iterable[str]) -> str:
    return f"({','.join(items)})"
