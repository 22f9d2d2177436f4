# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the measuring guide (addon/arming_cap/guide): the headform with every tape and caliper laid on it.

    python scripts/draw_measures.py [--out FOLDER]

The head is the one that the survey's means make; the lines are laid where `core/wearer/measure.py` measures, and the
words are those of `core/wearer/dimension.py`. Lines of equal depth, 6 mm apart, show the relief.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import manifold3d
import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "addon"))

from arming_cap.core.files import write_text  # noqa: E402
from arming_cap.core.geometry.section import cut  # noqa: E402
from arming_cap.core.mesh import TriangleMesh  # noqa: E402
from arming_cap.core.wearer.dimension import DIMENSIONS  # noqa: E402
from arming_cap.core.wearer.form import Form  # noqa: E402
from arming_cap.core.wearer.headform import head_form_of  # noqa: E402
from arming_cap.core.wearer.limbform import KINDS, limb_form_of, ring_of  # noqa: E402
from arming_cap.core.wearer.measure import (  # noqa: E402
    EAR_ROOT_MM,
    NECK_LEAN_DEG,
    Ruler,
    convex_hull,
    measure,
    section_points,
)
from arming_cap.core.wearer.population import SPEAKS_FOR, estimate  # noqa: E402

# Rows of a view: which way the page's right and up point, and towards the eye.
VIEWS = {
    "side": np.array([[0.0, 1, 0], [0, 0, 1], [1, 0, 0]]),
    "front": np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]]),
    "top": np.array([[1.0, 0, 0], [0, 1, 0], [0, 0, 1]]),
}
SKIN, EDGE, RELIEF = "#f3ece4", "#4a4a4a", "#c9bdb0"
TAPE, CALIPER = "#0b5394", "#9c3d00"
STEP_MM = 6.0
# A limb is drawn at this scale, beside letters of the same size.
SHRUNK = 0.4
# Shoulders below this are cut off.
FLOOR_MM = -182.0
STYLE = f"""
.skin {{ fill: {SKIN}; stroke: {EDGE}; stroke-width: 1.1; stroke-linejoin: round }}
.relief {{ fill: none; stroke: {RELIEF}; stroke-width: .45 }}
.tape {{ fill: none; stroke: {TAPE}; stroke-width: 2.2; stroke-linejoin: round; stroke-linecap: round }}
.caliper {{ fill: none; stroke: {CALIPER}; stroke-width: 1.3 }}
.jaw {{ fill: none; stroke: {CALIPER}; stroke-width: .7; stroke-dasharray: 3 2 }}
text {{ font: 9.5px sans-serif; fill: #222; stroke: #fff; stroke-width: 3; stroke-linejoin: round;
  paint-order: stroke }}
"""


def mean_head() -> Form:
    """Return the headform of the survey's means, both sexes together."""
    return head_form_of(estimate({}), "mean head")


class Sheet:
    """One drawing: the head seen from one side, and what is laid on it. Points are (3,) mm of the head's frame."""

    def __init__(self, form: Form, view: str, title: str) -> None:
        self.form, self.axes, self.title = form, VIEWS[view], title
        self.body: list[str] = []
        self.reach: list[np.ndarray] = []
        mesh = form.mesh
        turned = TriangleMesh(mesh.vertices @ self.axes.T, mesh.triangles)
        vertices, triangles = np.array(turned.vertices, order="C"), np.array(mesh.triangles, np.uint64, order="C")
        solid = manifold3d.Manifold(manifold3d.Mesh64(vertices, triangles))
        sheet = solid.project().simplify(0.1)
        if view != "top":
            sheet = sheet ^ manifold3d.CrossSection.square((900, 900)).translate((-450, FLOOR_MM))
        else:
            sheet = self._skull(turned)
        outlines = [np.asarray(p) for p in sheet.to_polygons()]
        self.reach += outlines
        self.body.append(f'<path class="skin" d="{"".join(_path(p, True) for p in outlines)}"/>')
        self.body.append(f'<path class="relief" d="{self._relief(turned, view)}"/>')

    def _skull(self, turned: TriangleMesh) -> manifold3d.CrossSection:
        """Return the head's outline from above, without neck and shoulders."""
        kept = turned.vertices[turned.triangles][:, :, 2].min(axis=1) > self.form.landmarks["menton"][2] + 20
        pieces = [manifold3d.CrossSection([t[:, :2]]) for t in turned.vertices[turned.triangles[kept]]]
        return manifold3d.CrossSection.batch_boolean(
            [p for p in pieces if p.area() > 0], manifold3d.OpType.Add
        ).simplify(0.2)

    def _relief(self, turned: TriangleMesh, view: str) -> str:
        low = {"side": 3.0, "front": -30.0, "top": 20.0}[view]
        planes = np.arange(low, turned.vertices[:, 2].max(), STEP_MM)
        parts = []
        for section in cut(turned, [(0.0, 0.0, 1.0)] * len(planes), planes):
            for loop in section.loops:
                points = loop.points[:, :2]
                for run in _runs(points, points[:, 1] > (FLOOR_MM + 1 if view != "top" else -999)):
                    parts.append(_path(_thinned(run), False))
        return "".join(parts)

    def flat(self, point: np.ndarray) -> np.ndarray:
        """Return a point on the page, (2,) mm, y up."""
        return (self.axes @ np.asarray(point))[:2]

    def tape(self, points: np.ndarray, closed: bool, hidden: bool = True) -> None:
        """Lay a tape through points in space; what the head hides is left out."""
        there = points @ self.axes.T
        runs = _runs(there, there[:, 2] > -0.5, closed) if hidden else [np.vstack([there, there[:1]])]
        for run in runs:
            self.reach.append(run[:, :2])
            self.body.append(f'<path class="tape" d="{_path(run[:, :2], False)}"/>')

    def caliper(self, a: np.ndarray, b: np.ndarray, offset: tuple[float, float] = (0.0, 0.0)) -> None:
        """Draw a measured length between two page points, moved by `offset`, with jaws back to them."""
        p, q = np.asarray(a) + offset, np.asarray(b) + offset
        along = (q - p) / np.linalg.norm(q - p)
        across = np.array([-along[1], along[0]])
        self.reach += [np.array([p, q])]
        for start, end in ((a, p), (b, q)):
            if np.linalg.norm(np.asarray(start) - end) > 1:
                self.body.append(f'<path class="jaw" d="{_path(np.array([start, end]), False)}"/>')
        self.body.append(f'<path class="caliper" d="{_path(np.array([p, q]), False)}"/>')
        for tip, way in ((p, along), (q, -along)):
            head = np.array([tip + 5 * way + 2 * across, tip, tip + 5 * way - 2 * across])
            self.body.append(f'<path class="caliper" d="{_path(head, False)}"/>')

    def word(self, name: str, at: np.ndarray, anchor: str = "middle") -> None:
        """Name a dimension at a page point."""
        u, v = at
        words = DIMENSIONS[name].in_words
        width = 4.9 * len(words)
        left = u - width * {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
        self.reach.append(np.array([[left, v - 3], [left + width, v + 9]]))
        self.body.append(f'<text x="{u:.1f}" y="{-v:.1f}" text-anchor="{anchor}">{words}</text>')

    def svg(self) -> str:
        """Return the drawing."""
        points = np.vstack(self.reach)
        low, high = points.min(axis=0) - 10, points.max(axis=0) + 10
        width, height = high - low
        box = f"{low[0]:.1f} {-high[1]:.1f} {width:.1f} {height:.1f}"
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" width="{1.6 * width:.0f}" '
            f'height="{1.6 * height:.0f}" role="img">\n<title>{self.title}</title>\n<style>{STYLE}</style>\n'
            f'<rect x="{low[0]:.1f}" y="{-high[1]:.1f}" width="{width:.1f}" height="{height:.1f}" fill="#fff"/>\n'
            + "\n".join(self.body)
            + "\n</svg>\n"
        )


def _path(points: np.ndarray, closed: bool) -> str:
    steps = " ".join(f"{x:.1f} {-y:.1f}" for x, y in np.asarray(points) + 0.0)
    return f"M{steps}{'Z' if closed else ''}"


def _thinned(points: np.ndarray, step: float = 1.5) -> np.ndarray:
    """Return the points of a line no closer than `step`, its end kept."""
    kept = [0]
    for i in range(1, len(points) - 1):
        if np.linalg.norm(points[i] - points[kept[-1]]) >= step:
            kept.append(i)
    return points[[*kept, len(points) - 1]]


def _runs(points: np.ndarray, ok: np.ndarray, closed: bool = True) -> list[np.ndarray]:
    """Return the stretches of a line whose points are all `ok`; a closed one that is cut starts at the cut."""
    if closed and ok.all():
        return [np.vstack([points, points[:1]])]
    if closed:
        start = int(np.argmin(ok))
        points, ok = np.roll(points, -start, axis=0), np.roll(ok, -start)
    parts = np.split(np.arange(len(points)), np.flatnonzero(np.diff(ok)) + 1)
    return [points[part] for part in parts if ok[part[0]] and len(part) > 1]


def _taut(points: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Return the convex hull of points in a plane, in order, sides no longer than 2 mm."""
    normal = normal / np.linalg.norm(normal)
    u = np.cross(normal, [1.0, 0, 0] if abs(normal[0]) < 0.9 else [0, 1.0, 0])
    u /= np.linalg.norm(u)
    axes = np.stack([u, np.cross(normal, u)])
    hull = convex_hull(points @ axes.T) @ axes + normal * float(np.mean(points @ normal))
    after = np.roll(hull, -1, axis=0)
    count = np.maximum(1, np.ceil(np.linalg.norm(after - hull, axis=1) / 2.0)).astype(int)
    return np.vstack([a + (b - a) * np.arange(n)[:, None] / n for a, b, n in zip(hull, after, count)])


class Lines:
    """Where on a form the tapes run: as `Ruler.measure` lays them."""

    def __init__(self, form: Form) -> None:
        assert form.region_of_triangle is not None
        self.v, self.at = form.mesh.vertices, form.landmarks
        self.ruler = Ruler(form.mesh.triangles, form.region_names, form.region_of_triangle)
        profile = section_points(self.v, self.ruler.skull, np.array([1.0, 0, 0]), float(self.at["sellion"][0]))
        rear = profile[profile[:, 1] > self.at["glabella"][1] + 60.0]
        self.back = rear[np.argmax(np.linalg.norm(rear - self.at["glabella"], axis=1))]

    def circumference(self) -> np.ndarray:
        along = self.back - self.at["glabella"]
        normal = np.array([0.0, -along[2], along[1]])
        normal /= np.linalg.norm(normal)
        return _taut(section_points(self.v, self.ruler.skull, normal, float(normal @ self.at["glabella"])), normal)

    def neck(self) -> np.ndarray:
        lean = np.radians(NECK_LEAN_DEG)
        axis = np.array([0.0, -np.sin(lean), np.cos(lean)])
        return _taut(section_points(self.v, self.ruler.neck, axis, float(axis @ self.at["larynx"])), axis)

    def arc(
        self, triangles: np.ndarray, to: np.ndarray, ends: str = "tragion", root: float = EAR_ROOT_MM
    ) -> np.ndarray:
        """Return the taut arc from the left one of a pair of landmarks over `to` to the right one."""
        left, right = self.at[f"{ends}_left"], self.at[f"{ends}_right"]
        middle = (left + right) / 2
        normal = np.cross(left - right, to - middle)
        normal /= np.linalg.norm(normal)
        points = section_points(self.v, triangles, normal, float(normal @ middle))
        beyond = points[(points - middle) @ (to - middle) > root * np.linalg.norm(to - middle)]
        ring = _taut(np.concatenate([beyond, [left, right]]), normal)
        # The hull closes along the straight line between the ends, through the head: that is no tape.
        return ring[(ring - middle) @ (to - middle) > 1e-6 * np.linalg.norm(to - middle)]


def drawings(form: Form) -> dict[str, str]:
    """Return each drawing's SVG by file name."""
    at, lines = form.landmarks, Lines(form)
    found = measure(form)
    v, ruler = form.mesh.vertices, lines.ruler
    top = float(v[:, 2].max())

    side = Sheet(form, "side", "The head from its left: lengths by caliper and by two boards")
    f = side.flat
    side.caliper(f(at["glabella"]), f(lines.back))
    side.word("head_length", (f(at["glabella"]) + f(lines.back)) / 2 + [-40, 2])
    ear = f(at["tragion_left"])
    side.caliper(ear, np.array([ear[0], top]))
    side.word("tragion_top_of_head", np.array([ear[0] + 4, top - 42]), "start")
    side.caliper(f(at["sellion"]), f(at["menton"]), (-38, 0))
    side.word("menton_sellion_length", (f(at["sellion"]) + f(at["menton"])) / 2 + [-43, 0], "end")
    tip = f(at["pronasale"])
    rear = tip + [found["nose_to_back_depth"], 0]
    back_z = float(v[ruler.skull_vertices][np.argmax(v[ruler.skull_vertices][:, 1]), 2])
    side.caliper(np.array([tip[0], top + 20]), np.array([rear[0], top + 20]))
    for u, z in ((tip[0], tip[1]), (rear[0], back_z)):
        side.body.append(f'<path class="jaw" d="{_path(np.array([[u, z], [u, top + 20]]), False)}"/>')
    side.word("nose_to_back_depth", np.array([(tip[0] + rear[0]) / 2, top + 24]))

    lowest, highest, rim, root = (f(at[f"{n}_left"]) for n in ("subaurale", "superaurale", "postaurale", "preaurale"))
    side.caliper(highest, lowest, (38, 0))
    side.word("ear_length", (highest + lowest) / 2 + [42, 0], "start")
    along = (highest - lowest) / np.linalg.norm(highest - lowest)
    side.caliper(root, rim - along * float(along @ (rim - root)), (0, -46))
    side.word("ear_breadth", (root + rim) / 2 + [0, -66])

    front = Sheet(form, "front", "The head from the front: breadths by caliper")
    skull = v[ruler.skull_vertices]
    above = skull[skull[:, 2] > max(v[rows, 2].max() for rows in ruler.ears.values())]
    wide_l, wide_r = above[np.argmax(above[:, 0])], above[np.argmin(above[:, 0])]
    level = float(wide_l[2] + wide_r[2]) / 2
    front.caliper(np.array([wide_r[0], level]), np.array([wide_l[0], level]))
    front.word("head_breadth", np.array([0, level + 4]))
    cheek = found["bizygomatic_breadth"] / 2
    arch = float(at["zygion_left"][2])
    front.caliper(np.array([-cheek, arch]), np.array([cheek, arch]))
    front.word("bizygomatic_breadth", np.array([0, arch - 10]))
    front.caliper(front.flat(at["pupil_right"]), front.flat(at["pupil_left"]))
    front.word("interpupillary_breadth", (front.flat(at["pupil_left"]) + front.flat(at["pupil_right"])) / 2 + [0, 4])
    ear_tip = front.flat(at["ear_lateral_left"])
    front.caliper(ear_tip - [found["ear_protrusion"], 0], ear_tip, (0, -58))
    front.word("ear_protrusion", ear_tip + [4, -61], "start")

    tapes = Sheet(form, "side", "The head from its left: girths and arcs by tape")
    f = tapes.flat
    chin = lines.arc(ruler.head, at["pogonion"])
    under = lines.arc(ruler.below_chin, at["cervical_point"])
    middle = (at["tragion_left"] + at["tragion_right"]) / 2
    over = lines.arc(ruler.head, middle + [0, 0, 100.0])
    for points, closed in ((lines.circumference(), True), (lines.neck(), True)):
        tapes.tape(points, closed)
    for end in ("suprasternale", "cervicale"):
        tapes.tape(lines.arc(ruler.neck, at[end], "side_neck_point", 0.0), True)
    for points in (over, chin, under):
        tapes.tape(points, True)
    front_edge = f(at["glabella"])
    tapes.word("head_circumference", front_edge + [-6, 6], "end")
    tapes.word("bitragion_arc", np.array([ear[0], top + 5]))
    tapes.word("bitragion_chin_arc", f(at["pogonion"]) + [-6, -4], "end")
    tapes.word("bitragion_submandibular_arc", f(at["cervical_point"]) + [-12, -6], "end")
    tapes.word("neck_circumference", f(at["larynx"]) + [-8, -8], "end")
    tapes.word("neck_base_circumference", f(at["suprasternale"]) + [-8, -4], "end")

    above_view = Sheet(form, "top", "The head from above: girth by tape, breadth and length by caliper")
    above_view.tape(lines.circumference(), True, hidden=False)
    above_view.caliper(above_view.flat(wide_r), above_view.flat(wide_l))
    above_view.word("head_breadth", above_view.flat((wide_l + wide_r) / 2) + [-36, 4])
    above_view.caliper(above_view.flat(at["glabella"]), above_view.flat(lines.back))
    above_view.word("head_length", above_view.flat((at["glabella"] + lines.back) / 2) + [4, -40], "start")
    above_view.word("head_circumference", above_view.flat(lines.back) + [0, 6])

    return {"side": side.svg(), "front": front.svg(), "tapes": tapes.svg(), "top": above_view.svg()}


def limb_drawings() -> dict[str, str]:
    """Return the drawings of arm, leg and torso by kind: where each girth is taken."""
    return {kind: _limb(kind) for kind in KINDS}


def _limb(kind: str) -> str:
    made = limb_form_of(estimate({}), kind)
    mesh = made.form.mesh
    small = replace(made.form, mesh=TriangleMesh(SHRUNK * mesh.vertices, mesh.triangles))
    sheet = Sheet(small, "front" if kind == "torso" else "side", f"The {kind}: girths by tape")
    for name, station in made.stations.items():
        ring = SHRUNK * _taut(ring_of(mesh, station), station.normal)
        sheet.tape(ring, True)
        flat = ring @ sheet.axes[:2].T
        ahead = float(station.centre[1]) < -60.0
        end = flat[np.argmax(flat[:, 1]) if ahead else np.argmax(flat[:, 0])]
        sheet.word(name, end + ([-2, 5] if ahead else [5, -3]), "end" if ahead else "start")
    return sheet.svg()


SHOWN = {
    "side": (
        "head_length",
        "tragion_top_of_head",
        "menton_sellion_length",
        "nose_to_back_depth",
        "ear_length",
        "ear_breadth",
    ),
    "front": ("head_breadth", "bizygomatic_breadth", "interpupillary_breadth", "ear_protrusion"),
    "top": ("head_circumference",),
    "tapes": (
        "bitragion_arc",
        "bitragion_chin_arc",
        "bitragion_submandibular_arc",
        "neck_circumference",
        "neck_base_circumference",
    ),
}
TITLES = {
    "side": "From the side: caliper and two boards",
    "front": "From the front: caliper",
    "top": "From above: the hat size",
    "tapes": "Round the head: tape",
}
INTRODUCTION = f"""# Measure your wearer

One tape reading is enough to begin: the head circumference, which is the hat size. Every further reading makes the
form surer, most of all head breadth, head length and the height of the head above the ears. What was not measured is
estimated, and the spread of the estimate widens every margin, so a verdict on a hat size alone is careful. Behind it
stands {SPEAKS_FOR}.

You need a tape, and either a caliper or two flat boards and a ruler. Work with a helper. The wearer sits upright, looks
straight ahead, wears their hair as under the helmet. Take each reading three times and keep the middle one.

Write what you read into a wearer card, a text file that stays on your machine:

```toml
card = 1
name = "Ilse"
sex = "f"                # f, m or any
unit = "mm"              # or cm, or in

[readings]
head_circumference = 561
head_breadth = "148±2"   # with a standard deviation of your own, where you know it

[allowance.hair]         # what is worn between skin and piece; layers add up
default = 3
crown = 8
```

Then `arming-cap wearer form ilse.toml --out ilse.ply` makes the form. A job takes the card for a wearer, every other
verb for `--wearer`; say `seat = "best"` or `--seat best` there, for a form from a card knows nothing of the place that
the piece was modelled in. For a limb add `form = "left arm"` (or another of head, torso, right arm, left leg, right
leg) and its readings.

In the drawings thick blue lines are tapes, thin brown ones with arrow heads are calipers and boards. Both are laid on
the forms that the survey's means make, where the program itself measures.
"""


def page() -> str:
    """Return the text of the page."""
    blocks = [INTRODUCTION]
    for sheet, names in SHOWN.items():
        blocks.append(f"## {TITLES[sheet]}\n\n![{TITLES[sheet]}](measures/{sheet}.svg)\n")
        blocks += [_told(name) for name in names]
    for group, title in (("arm", "Arm and hand"), ("leg", "Leg and foot"), ("torso", "Torso"), ("body", "The whole")):
        picture = f"![{title}](measures/{group}.svg)\n\n" if group in KINDS else ""
        blocks.append(f"## {title}\n\n{picture}| dimension | how | usual mistakes |\n|---|---|---|\n" + _rows(group))
    return "\n".join(blocks)


def _told(name: str) -> str:
    d = DIMENSIONS[name]
    return (
        f"**{d.in_words.capitalize()}** (`{name}`, {d.tool}). {d.definition}\n\n"
        f"* How: {d.how}\n* Usual mistakes: {d.mistakes}\n* Counted as good to ± {d.default_sd:g} mm ({d.sd_source}).\n"
    )


def _rows(group: str) -> str:
    rows = [f"| `{d.name}`: {d.definition} | {d.how} | {d.mistakes} |" for d in DIMENSIONS.values() if d.group == group]
    return "\n".join(rows) + "\n"


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument(
        "--out",
        type=Path,
        default=ROOT / "addon/arming_cap/guide",
        help="where to write (default: the extension's guide)",
    )
    out: Path = parser.parse_args().out
    for name, svg in (drawings(mean_head()) | limb_drawings()).items():
        write_text(out / "measures" / f"{name}.svg", svg)
    write_text(out / "measure-your-wearer.md", page())


if __name__ == "__main__":
    main()
