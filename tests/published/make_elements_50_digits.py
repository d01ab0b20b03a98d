"""Make elements_50_digits.json: least-squares elements at 50 digits, by another road than probekit's. Run by hand.

    python tests/published/make_elements_50_digits.py

Touches are invented: points of an element, some with noise, turned, shifted and rounded to double precision; those
doubles, taken as exact, are the data. The fit is Gauss-Newton in mpmath with derivatives by central differences (60
digits, steps of 1e-20), in parameters that probekit does not use (a direction with its largest part held, a point in
that coordinate plane, a cone by its apex), begun at the element the touches were made from, until the gradient is below
1e-30. Feet on an ellipse are found by their parameter angle.
"""

from __future__ import annotations

import json
from pathlib import Path

import mpmath as mp
import numpy as np

mp.mp.dps = 60
FILE = Path(__file__).with_name("elements_50_digits.json")

RADIUS, HALF_ANGLE, MAJOR, MINOR = 10.0, 25.0, 30.0, 8.0
#: name: (arc [deg], noise relative to size, scale, distance from the origin [mm], half angle of a cone [deg])
CASES = {
    "full": (360, 1e-3, 1.0, 100.0, HALF_ANGLE),
    "exact": (360, 0.0, 1.0, 100.0, HALF_ANGLE),
    "arc": (100, 2e-4, 1.0, 100.0, HALF_ANGLE),
    "short": (40, 2e-5, 1.0, 100.0, HALF_ANGLE),
    "far": (300, 1e-3, 1.0, 1e4, HALF_ANGLE),
    "small": (360, 1e-3, 1e-3, 0.1, HALF_ANGLE),
    "large": (360, 1e-3, 1e3, 0.0, HALF_ANGLE),
    "steep": (360, 1e-4, 1.0, 100.0, 0.02),
    "flat": (360, 1e-4, 1.0, 100.0, 89.5),
    "bore": (360, 1e-3, 1.0, 100.0, HALF_ANGLE),
    "boss": (360, 1e-3, 1.0, 100.0, HALF_ANGLE),
}
KINDS = (
    "line2",
    "line",
    "plane",
    "circle2",
    "circle",
    "sphere",
    "cylinder",
    "cone",
    "torus",
    "ellipse2",
    "slot2",
    "width",
)
SIDED = ("circle2", "circle", "sphere", "cylinder", "cone", "torus", "ellipse2", "slot2", "width")


def surface(kind: str, n: int, arc: float, half_angle: float, rng: np.random.Generator):
    """Points (n, 3) of an element of size about 10 and their outward normals, in its own frame; its sizes."""
    t = np.radians(arc) * ((np.arange(n) + rng.uniform(0, 0.6, n)) / n)
    v = rng.permutation(np.linspace(-1, 1, n)) * 12
    zero, cos, sin = np.zeros(n), np.cos(t), np.sin(t)
    flat = np.column_stack([cos, sin, zero])
    if kind in ("line2", "line"):
        normal = flat if kind == "line" else np.tile([1.0, 0.0, 0.0], (n, 1))
        points = np.column_stack([zero, zero, v]) if kind == "line" else np.column_stack([zero, v, zero])
        return points, normal, []
    if kind == "plane":
        return np.column_stack([10 * cos, v, zero]), np.tile([0.0, 0.0, 1.0], (n, 1)), []
    if kind in ("circle2", "circle"):
        return RADIUS * flat, flat, [RADIUS]
    if kind == "sphere":
        up = np.radians(arc) / 4 * v / 12
        normal = np.column_stack([np.cos(up) * cos, np.cos(up) * sin, np.sin(up)])
        return RADIUS * normal, normal, [RADIUS]
    if kind == "cylinder":
        return RADIUS * flat + np.column_stack([zero, zero, v]), flat, [RADIUS]
    if kind == "cone":
        psi = np.radians(half_angle)
        along = 40 + v if half_angle > 1 else RADIUS / np.sin(psi) + v  # along the side, from the apex
        points = along[:, None] * np.column_stack([np.sin(psi) * cos, np.sin(psi) * sin, np.cos(psi) + zero])
        return points, np.column_stack([np.cos(psi) * cos, np.cos(psi) * sin, -np.sin(psi) + zero]), [psi]
    if kind == "torus":
        s = np.radians(arc) * rng.permutation(n) / n
        normal = np.column_stack([np.cos(s) * cos, np.cos(s) * sin, np.sin(s)])
        return MAJOR * flat + MINOR * normal, normal, [MAJOR, MINOR]
    if kind == "ellipse2":
        normal = np.column_stack([6 * cos, 10 * sin, zero])
        return flat * [10, 6, 0], normal / np.linalg.norm(normal, axis=1)[:, None], [10.0, 6.0]
    if kind == "slot2":
        on_arc = np.arange(n) % 2 == 0
        normal = np.where(on_arc[:, None], flat, np.column_stack([zero, np.sign(sin + 1e-9), zero]))
        middle = np.where(on_arc, np.where(cos > 0, 10.0, -10.0), 9.0 * cos)
        return np.column_stack([middle, zero, zero]) + 5 * normal, normal, [20.0, 5.0]
    side = np.where(np.arange(n) % 2 == 0, 1.0, -1.0)
    return np.column_stack([10 * cos, v, 7.5 * side]), np.column_stack([zero, zero, side]), [15.0]


def made(kind: str, case: str, seed: int) -> dict:
    """Touches of one case and the state they were made from."""
    arc, noise, scale, distance, half_angle = CASES[case]
    rng = np.random.default_rng(seed)
    points, normals, sizes = surface(kind, 20 if case == "full" else 14, arc, half_angle, rng)
    ball = {"bore": 1.5, "boss": 2.0}.get(case, 0.0)
    side = -1.0 if case == "bore" else 1.0
    points = (points + normals * (rng.normal(scale=10 * noise, size=(len(points), 1)) + side * ball)) * scale
    if kind in ("line", "circle"):  # noise along the other normal, too
        across = (
            [0.0, 0.0, 1.0] if kind == "circle" else np.column_stack([-normals[:, 1], normals[:, 0], 0 * points[:, 0]])
        )
        points += rng.normal(scale=10 * noise * scale, size=(len(points), 1)) * across
    if kind.endswith("2"):
        angle = rng.uniform(-1.2, 1.2)
        frame = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
    else:
        frame = np.linalg.qr(rng.normal(size=(3, 3)))[0]
        frame *= np.sign(np.linalg.det(frame))
    shift = rng.normal(size=3)
    shift *= distance / np.linalg.norm(shift)
    if kind.endswith("2"):
        shift[2] = 0.0
    placed = points @ frame.T + shift
    sizes = [s if kind == "cone" else s * scale for s in sizes]
    return {
        "kind": kind, "case": case, "points": placed[:, : 2 if kind.endswith("2") else 3].tolist(),
        "ball": ball * scale, "material": "outside" if side < 0 else "inside",
        "start": (shift, frame, sizes), "offset": side * ball * scale,
        "upper": (normals @ [0, 0, 1] > 0).tolist(), "scale": scale,
    }  # fmt: skip


def solve(data: dict) -> dict:
    """The fit at high precision, as named parameters in decimal strings."""
    kind, origin, frame, sizes = data["kind"], *data["start"]
    points = [[mp.mpf(x) for x in row] for row in data["points"]]
    offset, dims = mp.mpf(data["offset"]), len(points[0])
    axis = frame[:dims, 2] if dims == 3 else frame[:dims, 0]
    held = int(np.argmax(np.abs(axis)))
    free = [j for j in range(dims) if j != held]
    directed = kind in ("line2", "line", "plane", "circle", "cylinder", "cone", "torus", "width")
    turning = kind in ("ellipse2", "slot2")
    # a plane or line moves along its normal only, an axis across itself, a centre freely
    if kind in ("plane", "width", "line2"):
        moving = [held]
    elif kind in ("line", "cylinder"):
        moving = free
    else:
        moving = list(range(dims))
    start = [mp.mpf(float(origin[j])) for j in moving]
    start += [mp.mpf(float(axis[j])) for j in free] if directed else []
    start += [mp.atan2(mp.mpf(float(axis[1])), mp.mpf(float(axis[0])))] if turning else []
    start += [mp.mpf(s) for s in sizes]

    def unpack(x):
        x = list(x)
        place = [mp.mpf(float(v)) for v in origin[:dims]]
        for j in moving:
            place[j] = x.pop(0)
        direction = [mp.mpf(float(v)) for v in axis]
        if directed:
            for j in free:
                direction[j] = x.pop(0)
            length = mp.sqrt(sum(v * v for v in direction))
            direction = [v / length for v in direction]
        elif turning:
            angle = x.pop(0)
            direction = [mp.cos(angle), mp.sin(angle)]
        return place, direction, x

    def residuals(x):
        place, d, size = unpack(x)
        out = []
        for row, (p, upper) in enumerate(zip(points, data["upper"], strict=True)):
            del row
            v = [a - b for a, b in zip(p, place, strict=True)]
            along = sum(a * b for a, b in zip(v, d, strict=True))
            square = sum(a * a for a in v)
            across = [a - along * b for a, b in zip(v, d, strict=True)]
            rho = mp.sqrt(sum(a * a for a in across))
            if kind in ("plane", "line2"):
                out.append(along - offset)
            elif kind == "line":
                out += across
            elif kind in ("circle2", "sphere"):
                out.append(mp.sqrt(square) - size[0] - offset)
            elif kind == "circle":
                out += [rho - size[0] - offset, along]
            elif kind == "cylinder":
                out.append(rho - size[0] - offset)
            elif kind == "cone":
                out.append(rho * mp.cos(size[0]) - along * mp.sin(size[0]) - offset)
            elif kind == "torus":
                out.append(mp.sqrt((rho - size[0]) ** 2 + along**2) - size[1] - offset)
            elif kind == "width":
                out.append((along if upper else -along) - size[0] / 2 - offset)
            elif kind == "slot2":
                beyond = max(abs(along) - size[0] / 2, mp.mpf(0))
                out.append(mp.sqrt(beyond**2 + rho**2) - size[1] - offset)
            else:
                out.append(to_ellipse(along, v[1] * d[0] - v[0] * d[1], *size) - offset)
        return mp.matrix(out)

    x, h = mp.matrix(start), mp.mpf(10) ** -20
    for _ in range(200):
        r = residuals(x)
        slope = mp.matrix(len(r), len(x))
        for j in range(len(x)):
            ahead, behind = x.copy(), x.copy()
            ahead[j] += h
            behind[j] -= h
            slope[:, j] = (residuals(ahead) - residuals(behind)) / (2 * h)
        gradient = slope.T * r
        step = mp.lu_solve(slope.T * slope, -gradient)
        x += step
        if mp.norm(step) < mp.mpf(10) ** -26:
            break
    else:
        raise RuntimeError(f"{kind} {data['case']} did not settle")
    place, d, size = unpack(x)
    centroid = [sum(c) / len(points) for c in zip(*points, strict=True)]
    away = sum((a - b) * c for a, b, c in zip(centroid, place, d, strict=True))
    found: dict = {}
    if kind in ("line", "cylinder", "cone"):
        found["point"] = [a + away * b for a, b in zip(place, d, strict=True)]
    elif kind in ("plane", "width", "line2"):
        found["point"] = [a - away * b for a, b in zip(centroid, d, strict=True)]
    else:
        found["centre"] = place
    if kind == "cone":
        found["apex"] = place
        found["half_angle"] = mp.degrees(size[0])
    if directed:
        found["normal" if kind == "line2" else "direction"] = d
    if turning:
        found["angle"] = mp.degrees(mp.atan2(d[1], d[0]))
    names = {"circle2": ["radius"], "circle": ["radius"], "sphere": ["radius"], "cylinder": ["radius"], "torus": [
        "major", "minor"], "slot2": ["length", "radius"], "width": ["width"]}  # fmt: skip
    for name, value in zip(names.get(kind, []), size, strict=kind not in ("cone", "ellipse2")):
        found[name] = value
    if kind == "ellipse2":
        found["semi_axes"] = list(size)
    found["sum_of_squares"] = sum(v * v for v in r)
    text = {k: [mp.nstr(v, 30) for v in vs] if isinstance(vs, list) else mp.nstr(vs, 30) for k, vs in found.items()}
    return {k: data[k] for k in ("kind", "case", "ball", "material", "points")} | {"parameters": text}


def to_ellipse(x, y, a, b):
    """Signed distance from an ellipse: Newton's method on the parameter angle of the foot."""
    t = mp.atan2(y * a, x * b)
    for _ in range(100):
        value = (a * a - b * b) * mp.cos(t) * mp.sin(t) - x * a * mp.sin(t) + y * b * mp.cos(t)
        slope = (a * a - b * b) * mp.cos(2 * t) - x * a * mp.cos(t) - y * b * mp.sin(t)
        step = value / slope
        t -= step
        if abs(step) < mp.mpf(10) ** -50:
            break
    foot = a * mp.cos(t), b * mp.sin(t)
    outside = (x / a) ** 2 + (y / b) ** 2 > 1
    distance = mp.sqrt((x - foot[0]) ** 2 + (y - foot[1]) ** 2)
    return distance if outside else -distance


def main() -> None:
    """Write the file."""
    out = []
    for k, kind in enumerate(KINDS):
        for c, case in enumerate(CASES):
            if case in ("steep", "flat") and kind != "cone":
                continue
            if case in ("bore", "boss") and kind not in SIDED:
                continue
            if case in ("arc", "short") and kind in ("line2", "line", "plane", "slot2", "width"):
                continue
            if case == "short" and kind in ("ellipse2", "torus"):
                continue
            out.append(solve(made(kind, case, 100 * k + c)))
    FILE.write_text("[\n" + ",\n".join(json.dumps(each) for each in out) + "\n]\n", encoding="utf-8")


if __name__ == "__main__":
    main()
