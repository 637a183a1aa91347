"""Bucket trees: an order in which to sum variables out, and messages between its buckets.

Sources: R. Dechter, "Bucket elimination: a unifying framework for reasoning", Artificial
Intelligence 113 (1999); the messages are those of Shenoy and Shafer (1990) on the tree that
elimination leaves behind.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from functools import lru_cache
from heapq import heapify, heappop, heappush
from typing import Generic, NamedTuple, TypeVar

import numpy as np

from benchodds.basics.errors import TooLargeError
from benchodds.basics.language import _

T = TypeVar("T")

TRY = 5e5
"""Table entries that could be made in the time of looking for one more order."""

MOST_TRIES = 200
MOST_ENTRIES = 4e9
"""Table entries in all beyond which an elimination is refused, before time is spent."""
MOST_KEPT = 1.2e7
"""Entries of all messages of an elimination beyond which it is refused, before memory is."""
SHAKE = 0.5


class Order(NamedTuple):
    """An order in which to sum variables out, and what it takes.

    ``entries`` are those of all tables that are gone through on the way, ``kept`` those of all
    that are left behind.
    """

    names: tuple[str, ...]
    entries: float
    kept: float

    def affordable(self, most: float | None = None) -> Order:
        """The order itself.

        Raises
        ------
        TooLargeError
            When it goes through more than ``most`` (else :data:`MOST_ENTRIES`) or keeps more
            than :data:`MOST_KEPT`.
        """
        most = MOST_ENTRIES if most is None else most
        if self.entries > most or self.kept > MOST_KEPT:
            raise TooLargeError(
                _(
                    "these readings tie too much together: exact odds would go through "
                    "{n:.0e} entries (at most {most:.0e}) and keep {kept:.0e} (at most "
                    "{most_kept:.0e}); in the model, let fewer quantities meet in one formula "
                    "or signal"
                ).format(n=self.entries, most=most, kept=self.kept, most_kept=MOST_KEPT)
            )
        return self


@lru_cache(maxsize=1024)
def elimination_order(
    scopes: tuple[tuple[str, ...], ...],
    sizes: tuple[tuple[str, int], ...],
    last: tuple[str, ...] = (),
    folded: frozenset[str] = frozenset(),
) -> Order:
    """The cheapest of a few greedy orders; variables in ``last`` come at the end.

    Each time the variable goes whose bucket is smallest, or else the one that leaves the
    smallest table (Koller and Friedman, Probabilistic Graphical Models, 2009, 9.4.3). Where
    that is dear, the same with its costs shaken a little is tried some more times, always the
    same way, for as long as that may save more than it takes. An order's cost is the entries it
    goes through, times how often what it keeps goes into the room for that, if it does not fit.

    ``folded`` variables stay. They share one axis, on which each of their states but the first
    has a place, and one more place is there for all first ones.
    """
    names = [v for v, _ in sizes]
    number = {v: i for i, v in enumerate(names)}
    log = [math.log(n) for _, n in sizes]
    side = sum(1 << number[v] for v in folded if v in number)
    around = [0] * len(names)
    for scope in scopes:
        mask = sum(1 << number[v] for v in scope)
        for v in scope:
            around[number[v]] |= mask
    groups = (
        [i for i, v in enumerate(names) if around[i] and v not in last and v not in folded],
        [number[v] for v in last if v in number],
    )

    members: dict[int, tuple[int, ...]] = {}
    logs: dict[int, float] = {}

    def bits(mask: int) -> tuple[int, ...]:
        if mask not in members:
            members[mask] = tuple(_bits(mask))
        return members[mask]

    def log_size(mask: int) -> float:
        if mask not in logs:
            logs[mask] = sum(log[j] for j in bits(mask))
        return logs[mask]

    weights = [log_size(m & ~side) for m in around]
    place = [1 + sum(sizes[j][1] - 1 for j in bits(m & side)) for m in around]

    def greedy(own: float, shake: Sequence[float], most: float) -> tuple[float, Order]:
        near, weight, places = around.copy(), weights.copy(), place.copy()

        def cost(i: int) -> tuple[float, int]:  # of equals the later goes first
            return (weight[i] + math.log(places[i]) - own * log[i]) * shake[i], -i

        total, kept, order = 0.0, 0.0, []
        for group in groups:
            costs = {i: cost(i) for i in group}
            queue = list(costs.values())
            heapify(queue)
            while costs:
                cheapest = heappop(queue)
                i = -cheapest[1]
                if costs.get(i) != cheapest:  # its cost has changed since
                    continue
                del costs[i]
                order.append(names[i])
                entries = math.exp(min(weight[i], 600.0)) * places[i]
                total += entries
                kept += entries / sizes[i][1]
                if total > most:  # dearer than one that is known
                    return math.inf, Order((), total, kept)
                gone = ~(1 << i)
                mine = near[i] & gone
                for u in bits(mine & ~side):
                    new = mine & ~near[u]
                    near[u] = (near[u] | mine) & gone
                    weight[u] += log_size(new & ~side) - log[i]
                    if new & side:
                        places[u] += sum(sizes[j][1] - 1 for j in bits(new & side))
                    if u in costs:
                        costs[u] = cost(u)
                        heappush(queue, costs[u])
        return total * max(1.0, kept / MOST_KEPT), Order(tuple(order), total, kept)

    even = [1.0] * len(names)
    best = min(greedy(own, even, math.inf) for own in (0.0, 1.0))
    rng = np.random.default_rng(0)
    for tried in range(1, MOST_TRIES + 1):
        if best[0] < tried * TRY:
            break
        shake = (1 + SHAKE * rng.random(len(names))).tolist()
        best = min(best, greedy(1.0, shake, best[0]))
    return best[1]


def _bits(mask: int) -> Iterator[int]:
    while mask:
        low = mask & -mask
        yield low.bit_length() - 1
        mask ^= low


class Tree:
    """Buckets of an elimination order: a tree for each group of variables tied together.

    The bucket of a variable holds the scopes (``own``, by number) in which it is the first to
    be summed out. ``near`` are its neighbours, ``scope`` the variables that meet in it,
    ``parent`` the bucket that its sum goes to, ``top`` the last bucket of its tree, and
    ``below`` all buckets whose sums come to it, itself among them.
    """

    def __init__(self, scopes: Sequence[Collection[str]], order: Sequence[str]) -> None:
        rank = {v: i for i, v in enumerate(order)}
        self.own: dict[str, list[int]] = {v: [] for v in order}
        self.near: dict[str, list[str]] = {v: [] for v in order}
        self.below = {v: {v} for v in order}
        self.top = {v: v for v in order}
        self.parent: dict[str, str] = {}
        self.scope: dict[str, frozenset[str]] = {}
        for i, scope in enumerate(scopes):
            if scope:
                self.own[min(scope, key=rank.__getitem__)].append(i)
        for v in order:
            below = (self.scope[u] - {u} for u in self.near[v])
            self.scope[v] = frozenset([v]).union(*(scopes[i] for i in self.own[v]), *below)
            rest = self.scope[v] - {v}
            if rest:
                u = self.parent[v] = min(rest, key=rank.__getitem__)
                self.near[u].append(v)
                self.below[u] |= self.below[v]
        for v in reversed(order):
            if v in self.parent:
                self.near[v].append(self.parent[v])
                self.top[v] = self.top[self.parent[v]]

    @property
    def tops(self) -> list[str]:
        """The last bucket of each tree."""
        return [v for v in self.own if v not in self.parent]

    def cover(self, names: Iterable[str]) -> set[str]:
        """A few buckets that hold the names between them.

        In each tree they are neighbours, and none can be left out at the ends.
        """
        wanted = frozenset(names)
        cover: set[str] = set()
        for v in wanted:
            cover.add(v)
            while v in self.parent:
                v = self.parent[v]
                cover.add(v)
        ends = sorted(cover)
        while ends:
            v = ends.pop()
            close = [u for u in self.near[v] if u in cover]
            if v in cover and len(close) == 1 and self.scope[v] & wanted <= self.scope[close[0]]:
                cover.remove(v)
                ends += close
        return cover


class Messages(Generic[T]):
    """What the buckets of a tree say to their neighbours, worked out when first asked for.

    ``product(tables, names)`` is the product of tables, summed over all but the names;
    ``is_silent(u, v)`` tells when ``u`` and all behind it have nothing to say to ``v``.
    """

    def __init__(
        self,
        tree: Tree,
        tables: Sequence[T],
        product: Callable[[Sequence[T], frozenset[str]], T],
        is_silent: Callable[[str, str], bool] = lambda u, v: False,
    ) -> None:
        self.tree = tree
        self._tables = tables
        self._product = product
        self._is_silent = is_silent
        self._said: dict[tuple[str, str], T | None] = {}

    def let_go(self, most: float, size: Callable[[T], int]) -> None:
        """Forget what buckets said to those below them, when that comes to more than so much.

        They say it again when it is asked for; what comes up to them stays.
        """
        down = [e for e in self._said if self.tree.parent.get(e[1]) == e[0]]
        if sum(size(t) for t in (self._said[e] for e in down) if t is not None) > most:
            for edge in down:
                del self._said[edge]

    def around(self, buckets: Collection[str]) -> list[T]:
        """The tables of some buckets, and what all others say to these."""
        tree, inside = self.tree, sorted(buckets)
        edges = [(u, v) for v in inside for u in tree.near[v] if u not in buckets]
        self._work_out(edges)
        tables = [self._tables[i] for v in inside for i in tree.own[v]]
        return tables + self._heard(edges)

    def below(self, bucket: str, but: str = "") -> list[T]:
        """The tables of a bucket, and what comes up to it, save from one of those below it."""
        parent = self.tree.parent
        edges = [(u, bucket) for u in self.tree.near[bucket] if u not in (parent.get(bucket), but)]
        self._work_out(edges)
        return [self._tables[i] for i in self.tree.own[bucket]] + self._heard(edges)

    def _heard(self, edges: Iterable[tuple[str, str]]) -> list[T]:
        return [t for t in (self._said[e] for e in edges) if t is not None]

    def _work_out(self, edges: Iterable[tuple[str, str]]) -> None:
        near, scope = self.tree.near, self.tree.scope
        todo, order = list(edges), []
        while todo:
            u, v = todo.pop()
            if (u, v) in self._said:
                continue
            if self._is_silent(u, v):
                self._said[u, v] = None
                continue
            order.append((u, v))
            todo += [(w, u) for w in near[u] if w != v]
        for u, v in reversed(order):
            tables = [self._tables[i] for i in self.tree.own[u]]
            tables += self._heard((w, u) for w in near[u] if w != v)
            self._said[u, v] = self._product(tables, scope[u] & scope[v]) if tables else None
