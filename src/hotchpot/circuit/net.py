"""
How a bank is wired, and the same as the arrays that the compiled steps work on.

A tree of blocks with ideal bars or ladders is a `Tree`, solved by series-parallel reduction. Loads on part of the bank
and tied midpoints make it a `Mesh`, solved node by node.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from hotchpot.bank.arrangement import Block, Parallel, Single, ids
from hotchpot.circuit import layout as at
from hotchpot.errors import InputError, nearest

if TYPE_CHECKING:
    import numpy as np

TIE_OHM = 1e-3  # a midpoint tie is a short thin cable; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Leads:
    """
    The links of a bank.

    `link_ohm` lies on each side of every branch of a parallel group; with a take-off at the same end or diagonal it is
    instead each segment of the rails between neighbours, and `joint_ohm` what each branch has of its own. `main_ohm`
    is the whole cable to the load. `taps` are currents drawn between a unit's positive terminal and the bank's
    negative pole [A].
    """

    link_ohm: float = 0.0
    joint_ohm: float = 0.0
    main_ohm: float = 0.0
    takeoff: str = "busbar"
    tied: bool = False
    taps: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        if self.takeoff not in ("busbar", "same_end", "diagonal"):
            mend = nearest(self.takeoff, ("busbar", "same_end", "diagonal"))
            raise InputError.one("takeoff", f"{self.takeoff!r} is none", mend)
        for name in ("link_ohm", "joint_ohm", "main_ohm"):
            if getattr(self, name) < 0.0:
                raise InputError.one(name, f"it is {getattr(self, name):g}", "give nought or more")


@dataclass(frozen=True, slots=True)
class Net:
    """
    A wired bank: its tree, and the mesh that is solved instead where `is_mesh`.

    `below` names the units (places) below each node of the tree, `tops` those of them at its positive end: the node's
    current is the sum of theirs, also where currents part further down.
    """

    ids: tuple[str, ...]
    tree: at.Tree
    mesh: at.Mesh
    is_mesh: bool
    below: tuple[tuple[int, ...], ...]
    tops: tuple[tuple[int, ...], ...]

    @property
    def root(self) -> int:
        """The node of the whole bank."""
        return int(self.tree.nodes.shape[1]) - 1

    def own_copy(self) -> Net:
        """Return the same with arrays of its own: a run writes into them."""
        tree = at.Tree._make([self.tree.units, *(part.copy() for part in self.tree[1:])])
        mesh = at.Mesh._make([self.mesh.port, *(part.copy() for part in self.mesh[1:])])
        return Net(self.ids, tree, mesh, self.is_mesh, self.below, self.tops)


def net_of(block: Block, leads: Leads) -> Net:
    """Return the arrays of a wired bank."""
    names = ids(block)
    tree, below, tops = _tree(block, leads)
    meshed = bool(leads.taps) or leads.tied
    if meshed:
        tree.lead[:] = 0.0  # every link is laid by itself; what opens later stands here
    mesh = _mesh(block, leads, names) if meshed else _no_mesh()
    return Net(names, tree, mesh, meshed, tuple(below), tuple(tops))


def _tree(block: Block, leads: Leads) -> tuple[at.Tree, list[tuple[int, ...]], list[tuple[int, ...]]]:
    """Return the tree of a block, and the units (places) below each of its nodes and at the positive end of each."""
    import numpy as np

    units = len(ids(block))
    kids: list[list[int]] = []
    what: list[int] = []
    pull: list[float] = []
    lead = [0.0] * units
    below: list[tuple[int, ...]] = [(k,) for k in range(units)]
    tops = list(below)
    waiting: list[tuple[Block, bool]] = [(block, False)]
    done: list[int] = []
    leaf = 0
    ladder = leads.takeoff != "busbar" and leads.link_ohm > 0.0
    while waiting:
        node, ready = waiting.pop()
        if isinstance(node, Single):
            done.append(leaf)
            leaf += 1
        elif not ready:
            waiting.append((node, True))
            waiting.extend((member, False) for member in reversed(node.members))
        else:
            count = len(node.members)
            parts = done[-count:]
            parallel = isinstance(node, Parallel)
            if parallel:
                for k in parts:
                    lead[k] += 2.0 * leads.joint_ohm + (0.0 if ladder else 2.0 * leads.link_ohm)
            kids.append(parts)
            what.append((at.LADDER if ladder else at.BARS) if parallel else at.SERIES)
            pull.append({"same_end": 2.0, "diagonal": 1.0}.get(leads.takeoff, 2.0))
            lead.append(0.0)
            below.append(tuple(k for part in parts for k in below[part]))
            tops.append(tuple(k for part in (parts if parallel else parts[:1]) for k in tops[part]))
            done[-count:] = [units + len(kids) - 1]
    lead[-1] += leads.main_ohm
    first = [part[0] if part == list(range(part[0], part[0] + len(part))) else -1 for part in kids]
    ends = np.cumsum([0, *map(len, kids)])
    nodes = np.zeros((at.N_ROWS, units + len(kids)))
    nodes[at.N_LEAD] = lead
    rails = [[leads.link_ohm if kind == at.LADDER else 0.0 for kind in what], pull]
    tree = at.Tree(
        units,
        np.array([k for part in kids for k in part], dtype=np.int64),
        np.array([ends[:-1], ends[1:], first, what], dtype=np.int64).reshape(4, -1),
        np.array(rails, dtype=float).reshape(2, -1),
        nodes,
    )
    return tree, below, tops


def _no_mesh() -> at.Mesh:
    import numpy as np

    whole, plain = np.zeros((2, 0), dtype=np.int64), np.zeros((2, 0))
    return at.Mesh(0, whole, whole, plain, np.zeros((3, 0)), np.zeros((0, 1)))


class _Laying:
    """Elements between numbered nodes, -1 the bank's negative pole, as a block is laid out."""

    def __init__(self, leads: Leads) -> None:
        self.leads = leads
        self.nodes = 1  # node 0 is the bank's positive terminal
        self.units: list[tuple[int, int]] = []
        self.links: list[tuple[int, int, float]] = []
        self.plus: dict[str, int] = {}

    def node(self) -> int:
        """Return a new node."""
        self.nodes += 1
        return self.nodes - 1

    def linked(self, node: int, ohm: float) -> int:
        """Return the far end of a link from a node; the node itself where the link is nothing."""
        if ohm <= 0.0:
            return node
        far = self.node()
        self.links.append((node, far, ohm))
        return far

    def lay(self, block: Block, up: int, down: int) -> list[int]:
        """Lay a block between two nodes; return the nodes between the members of a string."""
        if isinstance(block, Single):
            self.units.append((up, down))
            self.plus[block.id] = up
            return []
        if isinstance(block, Parallel):
            self._side_by_side(block, up, down)
            return []
        between = [self.node() for _ in block.members[1:]]
        for member, a, b in zip(block.members, [up, *between], [*between, down], strict=True):
            self.lay(member, a, b)
        return between

    def _side_by_side(self, block: Parallel, up: int, down: int) -> None:
        leads, count = self.leads, len(block.members)
        own = leads.joint_ohm
        tops, bottoms = [up] * count, [down] * count
        if leads.takeoff != "busbar" and leads.link_ohm > 0.0:
            tops = [up, *(self.node() for _ in range(count - 1))]
            beyond = [self.node() for _ in range(count - 1)]
            bottoms = [*beyond, down] if leads.takeoff == "diagonal" else [down, *beyond]
            for rail in (tops, bottoms):
                self.links += [(a, b, leads.link_ohm) for a, b in pairwise(rail)]
        else:
            own += leads.link_ohm
        rows = [
            self.lay(member, self.linked(a, own), self.linked(b, own))
            for member, a, b in zip(block.members, tops, bottoms, strict=True)
        ]
        for row, after in pairwise(rows) if leads.tied and any(rows) else ():
            if len(row) != len(after):
                mend = "tie strings of the same count of units only"
                raise InputError.one("midpoints_tied", "the strings have unlike midpoints", mend)
            self.links += [(a, b, TIE_OHM) for a, b in zip(row, after, strict=True)]


def _mesh(block: Block, leads: Leads, names: Sequence[str]) -> at.Mesh:
    import numpy as np

    laying = _Laying(leads)
    laying.lay(block, laying.linked(0, leads.main_ohm), -1)
    taps = np.zeros(laying.nodes)
    for name, amps in leads.taps:
        if name not in laying.plus:
            raise InputError.one("tap", f"{name!r} is no unit of the bank", nearest(name, names))
        taps[laying.plus[name]] += amps
    order = _order(laying)
    place = np.append(order, -1)  # so that node -1 stays -1
    ends = [*laying.units, *((a, b) for a, b, _ in laying.links)]
    near = max((abs(int(place[a] - place[b])) for a, b in ends if a >= 0 and b >= 0), default=0)
    nodes = np.zeros((3, laying.nodes))
    nodes[at.M_TAP, order] = taps
    links = np.zeros((2, len(laying.links)))
    links[at.K_SIEMENS] = [1.0 / ohm for _, _, ohm in laying.links]
    along = np.array([(a, b) for a, b, _ in laying.links], dtype=np.int64).reshape(-1, 2)
    return at.Mesh(
        int(order[0]),
        np.ascontiguousarray(place[np.array(laying.units)].T),
        np.ascontiguousarray(place[along].T),
        links,
        nodes,
        np.zeros((laying.nodes, near + 1)),
    )


def _order(laying: _Laying) -> np.ndarray:
    """Return the place of every node in an order that keeps neighbours near (reverse Cuthill-McKee, by scipy)."""
    import numpy as np
    from scipy.sparse import coo_array  # type: ignore[import-untyped]  # scipy ships no types
    from scipy.sparse.csgraph import reverse_cuthill_mckee  # type: ignore[import-untyped]

    every = [*laying.units, *((a, b) for a, b, _ in laying.links)]
    ends = [(a, b) for a, b in every if a >= 0 and b >= 0]
    size = laying.nodes
    rows, columns = [a for a, _ in ends], [b for _, b in ends]
    graph = coo_array((np.ones(len(ends)), (rows, columns)), shape=(size, size)).tocsr()
    order = np.empty(size, dtype=np.int64)
    order[reverse_cuthill_mckee((graph + graph.T).tocsr(), symmetric_mode=True)] = np.arange(size)
    return order
