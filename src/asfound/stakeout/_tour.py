"""A round trip that is improved in place: 2-opt and Or-opt among neighbours.

Plain lists: single steps on small lists are several times faster than on arrays.
"""

from __future__ import annotations

import random

_WHOLE_LINES = 1.0 / 3.0
_LEAST = 1e-9  # a gain below this [m] is rounding


class Tour:
    """A round trip.

    Parameters
    ----------
    distance : list of list of float
        Symmetric.
    near : list of list of int
        Neighbours of each point, those tried first first.
    order : list of int
        Points in their order; taken over.
    """

    def __init__(
        self, distance: list[list[float]], near: list[list[int]], order: list[int]
    ) -> None:
        self.distance = distance
        self.near = near
        self.order = order
        self.place = [0] * len(order)
        for k, point in enumerate(order):
            self.place[point] = k
        self.gain = 0.0

    def settle(self, waiting: list[int]) -> None:
        """Improve around the waiting points until nothing gains there."""
        queued = set(waiting)
        while waiting:
            point = waiting.pop()
            queued.discard(point)
            touched = self._turned(point) or self._moved(point)
            for other in touched:
                if other not in queued:
                    queued.add(other)
                    waiting.append(other)

    def perturb(self, draw: random.Random, longest: int) -> None:
        """Let two neighbouring stretches change places, mend, and keep it if no longer.

        Two times of three they are short; else they are bounded by long steps, so that whole
        lines of targets change places.
        """
        order, place, distance = self.order, self.place, self.distance
        count = len(order)
        if draw.random() < _WHOLE_LINES and count > 12:
            steps = [-distance[order[k]][order[k + 1]] for k in range(count - 1)]
            # steps beside the extra point cost nothing or bind it: never among the long ones
            longest_steps = sorted(range(count - 1), key=steps.__getitem__)[: max(8, count // 8)]
            start, middle, end = sorted(draw.sample(longest_steps, 3))
            first, second = middle - start, end - middle
        else:
            longest = min(longest, (count - 2) // 2)
            first, second = 1 + int(draw.random() * longest), 1 + int(draw.random() * longest)
            start = int(draw.random() * (count - first - second))
        kept_order, kept_place = order[:], place[:]
        a, b = order[start], order[start + 1]
        c, d = order[start + first], order[start + first + 1]
        e, f = order[start + first + second], order[(start + first + second + 1) % count]
        self.gain = (
            distance[a][b] + distance[c][d] + distance[e][f]
            - distance[a][d] - distance[e][b] - distance[c][f]
        )  # fmt: skip
        piece = order[start + 1 : start + first + second + 1]
        self._put(start + 1, piece[first:] + piece[:first])
        self.settle([a, b, c, d, e, f])
        if self.gain < 0.0:
            self.order, self.place = kept_order, kept_place

    def from_point(self, first: int, extra: int) -> list[int]:
        """Points from `first` on, in the direction away from `extra` beside it; without `extra`."""
        k = self.place[first]
        turned = self.order[k:] + self.order[:k]
        if turned[1] == extra:
            turned = [turned[0], *turned[:0:-1]]
        return [point for point in turned if point != extra]

    def _put(self, at: int, piece: list[int]) -> None:
        self.order[at : at + len(piece)] = piece
        place = self.place
        for k, point in enumerate(piece, at):
            place[point] = k

    def _turn(self, i: int, j: int) -> None:
        """Turn round the stretch from place i to place j (i <= j), or all the rest: the same."""
        order = self.order
        count = len(order)
        if 2 * (j - i + 1) <= count:
            self._put(i, order[i : j + 1][::-1])
            return
        outer = (order[j + 1 :] + order[:i])[::-1]
        split = count - j - 1
        self._put(j + 1, outer[:split])
        self._put(0, outer[split:])

    def _turned(self, a: int) -> tuple[int, ...]:
        """2-opt: a new edge from `a` to a neighbour; the points touched, if it gained."""
        order, place, distance = self.order, self.place, self.distance
        count = len(order)
        here = place[a]
        after, before = order[(here + 1) % count], order[here - 1]
        from_a = distance[a]
        for b, ahead in ((after, True), (before, False)):
            edge = from_a[b]
            from_b = distance[b]
            for c in self.near[a]:
                left = edge - from_a[c]
                if left <= _LEAST:
                    # the extra point comes first whatever its distance
                    break
                d = order[(place[c] + 1) % count] if ahead else order[place[c] - 1]
                gain = left + distance[c][d] - from_b[d]
                if gain > _LEAST and d != a and c != b:
                    i, j = (place[b], place[c]) if ahead else (place[a], place[d])
                    if i > j:
                        i, j = (place[d], place[a]) if ahead else (place[c], place[b])
                    self._turn(i, j)
                    self.gain += gain
                    return a, b, c, d
        return ()

    def _moved(self, a: int) -> tuple[int, ...]:
        """Or-opt: a stretch that starts at `a` moves beside a neighbour of `a`."""
        order, place, distance = self.order, self.place, self.distance
        count = len(order)
        here = place[a]
        from_a = distance[a]
        for size in range(1, min(3, count - 3) + 1):
            for way in (1, -1):
                far_end = order[(here + way * (size - 1)) % count]
                outside = order[(here - way) % count]
                beyond = order[(here + way * size) % count]
                freed = from_a[outside] + distance[far_end][beyond] - distance[outside][beyond]
                if freed <= _LEAST:
                    continue
                for c in self.near[a]:
                    if from_a[c] >= freed:
                        break
                    away = (way * (place[c] - here)) % count
                    if away < size:
                        continue  # within the stretch
                    for d in (order[(place[c] + 1) % count], order[place[c] - 1]):
                        if (way * (place[d] - here)) % count < size:
                            continue
                        gain = freed - from_a[c] - distance[far_end][d] + distance[c][d]
                        if gain > _LEAST:
                            self._shift(a, way, size, c, d)
                            self.gain += gain
                            return a, far_end, outside, beyond, c, d
        return ()

    def _shift(self, a: int, way: int, size: int, c: int, d: int) -> None:
        """Put the stretch of `size` points from `a` on between c (beside `a`) and d."""
        order, place = self.order, self.place
        count = len(order)
        here = place[a]
        stretch = [order[(here + way * k) % count] for k in range(size)]
        inside = set(stretch)
        first_place = min(place[point] for point in (*stretch, c, d))
        last_place = max(place[point] for point in (*stretch, c, d))
        if last_place - first_place > count // 2:  # around the seam: begin somewhere else
            k = (place[c] + count // 2) % count
            self._put(0, order[k:] + order[:k])
            order, place = self.order, self.place
            first_place = min(place[point] for point in (*stretch, c, d))
            last_place = max(place[point] for point in (*stretch, c, d))
        rest = [p for p in order[first_place : last_place + 1] if p not in inside]
        i, j = rest.index(c), rest.index(d)
        if i < j:
            piece = rest[: i + 1] + stretch + rest[j:]
        else:
            piece = rest[: j + 1] + stretch[::-1] + rest[i:]
        self._put(first_place, piece)
