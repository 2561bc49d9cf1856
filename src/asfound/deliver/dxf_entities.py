"""DXF entities as text, for drawings of a million entities.

ezdxf makes the drawing: header, tables, blocks. An object for each entity takes it minutes for a
job of 100,000 shots; text takes seconds. Handles continue where ezdxf's end. Group codes: DXF
reference, entities LWPOLYLINE, POLYLINE, VERTEX, LINE, ELLIPSE, POINT and TEXT.
"""

from __future__ import annotations

from asfound.model import Utility, Verdict

DASHED = "ASFOUND_DASHED"
DOTTED = "ASFOUND_DOTTED"


def plain_text(word: str) -> str:
    """User text for a TEXT entity: one line, without the format's control codes."""
    line = "".join(c if c.isprintable() else " " for c in " ".join(word.split()))
    # %% starts a code such as %%d; ^ followed by a letter is a control character; \U+XXXX and
    # \M+XXXX are characters. A blank in between leaves them readable and inert.
    return (
        line.replace("%%", "% %")
        .replace("^", "^ ")
        .replace("\\U+", "\\ U+")
        .replace("\\M+", "\\ M+")
    )


def layer(utility: int, verdict: int, part: str = "") -> str:
    """``'GAS-SOUND'``, ``'GAS-SOUND-ELLIPSE'``."""
    name = f"{Utility(utility).name}-{Verdict(verdict).name}"
    return f"{name}-{part}" if part else name


class EntityWriter:
    """Entities as text with handles that count on."""

    def __init__(self, first: int, owner: str) -> None:
        self.next = first
        self._owner = owner
        self.parts: list[str] = []

    def _add(self, kind: str, layer_name: str, body: str, style: str = "") -> None:
        self.parts.append(
            f"  0\n{kind}\n  5\n{self.next:X}\n330\n{self._owner}\n100\nAcDbEntity\n"
            f"  8\n{layer_name}\n{style}{body}"
        )
        self.next += 1

    def polyline(
        self,
        layer_name: str,
        points: list[list[float]],
        *,
        closed: bool,
        width: float = 0.0,
        style: str = "",
    ) -> None:
        corners = "".join(f" 10\n{x:.6f}\n 20\n{y:.6f}\n" for x, y in points)
        self._add(
            "LWPOLYLINE",
            layer_name,
            f"100\nAcDbPolyline\n 90\n{len(points)}\n 70\n{int(closed)}\n 43\n{width:.6f}\n"
            + corners,
            style,
        )

    def polyline3d(self, layer_name: str, points: list[list[float]], style: str) -> None:
        """A 3D polyline: the header, a VERTEX a corner and a closing SEQEND."""
        header = self.next
        self._add(
            "POLYLINE",
            layer_name,
            "100\nAcDb3dPolyline\n 66\n1\n 10\n0.0\n 20\n0.0\n 30\n0.0\n 70\n8\n",
            style,
        )
        modelspace, self._owner = self._owner, f"{header:X}"
        for x, y, z in points:
            self._add(
                "VERTEX",
                layer_name,
                "100\nAcDbVertex\n100\nAcDb3dPolylineVertex\n"
                f" 10\n{x:.6f}\n 20\n{y:.6f}\n 30\n{z:.6f}\n 70\n32\n",
            )
        self._add("SEQEND", layer_name, "")
        self._owner = modelspace

    def line(self, layer_name: str, start: list[float], end: list[float]) -> None:
        self._add(
            "LINE",
            layer_name,
            f"100\nAcDbLine\n 10\n{start[0]:.6f}\n 20\n{start[1]:.6f}\n 30\n0.0\n"
            f" 11\n{end[0]:.6f}\n 21\n{end[1]:.6f}\n 31\n0.0\n",
        )

    def ellipse(
        self, layer_name: str, x: float, y: float, major: list[float], ratio: float, *, dashed: bool
    ) -> None:
        style = f"  6\n{DASHED}\n 48\n0.25\n" if dashed else ""
        self._add(
            "ELLIPSE",
            layer_name,
            f"100\nAcDbEllipse\n 10\n{x:.6f}\n 20\n{y:.6f}\n 30\n0.0\n"
            f" 11\n{major[0]:.9f}\n 21\n{major[1]:.9f}\n 31\n0.0\n210\n0.0\n220\n0.0\n230\n1.0\n"
            f" 40\n{ratio:.9f}\n 41\n0.0\n 42\n6.283185307179586\n",
            style,
        )

    def point(self, layer_name: str, x: float, y: float, z: float) -> None:
        self._add(
            "POINT", layer_name, f"100\nAcDbPoint\n 10\n{x:.6f}\n 20\n{y:.6f}\n 30\n{z:.6f}\n"
        )

    def text(self, layer_name: str, x: float, y: float, height: float, words: str) -> None:
        self._add(
            "TEXT",
            layer_name,
            f"100\nAcDbText\n 10\n{x:.6f}\n 20\n{y:.6f}\n 30\n0.0\n 40\n{height:.6f}\n"
            f"  1\n{words}\n100\nAcDbText\n",
        )
