"""Counts the arithmetic of the kernels by running their own source with numbers that count.

Every kernel function is taken back to plain Python and run with `Number` in place of floats and complex numbers, so
that the count is that of the code as it stands, whatever is changed in it. Work with whole numbers, comparisons,
loads and stores are not counted.
"""

import cmath
import importlib
import math
import pkgutil
from collections import Counter, defaultdict
from types import FunctionType, SimpleNamespace

import numpy as np
from numba.core.registry import CPUDispatcher

from fluewright.acoustics import kernels
from fluewright.acoustics.kernels.gas import Gas
from fluewright.acoustics.network import Network

FUNCTIONS = {
    "sqrt", "exp", "log", "sin", "cos", "tan", "sinh", "cosh", "tanh", "asin", "acos", "atan", "atan2", "atanh",
    "hypot", "pow",
}  # fmt: skip
# Floating-point operations of each kind; divisions and functions are kept apart, for they cost more.
FLOPS = {"real": 1, "complex add": 2, "complex by real": 2, "complex mul": 6}
KINDS = (*FLOPS, "division", "complex division", "function", "complex function")

_tally: dict[str, Counter] = defaultdict(Counter)
_calls: Counter = Counter()
_stack = ["outside"]


def _count(kind, times=1):
    _tally[_stack[-1]][kind] += times


def _value(x):
    return x.v if isinstance(x, Number) else x


def _wrap(v):
    return Number(v) if isinstance(v, (float, complex)) else v


class Number:
    """A float or complex number that counts what is done with it."""

    __slots__ = ("v",)
    __array_ufunc__ = None  # NumPy's scalars leave the operation to this class

    def __init__(self, v):
        self.v = complex(v) if isinstance(v, complex) else float(v)

    def _add(self, o, v):
        both = isinstance(self.v, complex) and isinstance(_value(o), complex)
        _count("complex add" if both else "real")
        return Number(v)

    def _mul(self, o, v):
        how = isinstance(self.v, complex) + isinstance(_value(o), complex)
        _count(("real", "complex by real", "complex mul")[how])
        return Number(v)

    def __add__(self, o):
        return self._add(o, self.v + _value(o))

    def __sub__(self, o):
        return self._add(o, self.v - _value(o))

    def __rsub__(self, o):
        return self._add(o, o - self.v)

    def __mul__(self, o):
        return self._mul(o, self.v * _value(o))

    __radd__ = __add__
    __rmul__ = __mul__

    @staticmethod
    def _over(a, b):
        if isinstance(b, complex):
            _count("complex division")
        else:
            _count("division")
            _count("real", 2 if isinstance(a, complex) else 0)
        return Number(a / b) if b != 0 else Number(math.nan if a == 0 else math.inf)

    def __truediv__(self, o):
        return self._over(self.v, _value(o))

    def __rtruediv__(self, o):
        return self._over(o, self.v)

    def __pow__(self, n):
        n = _value(n)
        if isinstance(n, int) or float(n).is_integer():
            _count("complex mul" if isinstance(self.v, complex) else "real", max(abs(int(n)) - 1, 1))
        else:
            _count("function")
        return Number(self.v**n)

    def __neg__(self):
        return Number(-self.v)

    def __abs__(self):
        _count("function", isinstance(self.v, complex))
        return Number(abs(self.v))

    @property
    def real(self):
        return Number(self.v.real)

    @property
    def imag(self):
        return Number(self.v.imag)

    def conjugate(self):
        return Number(self.v.conjugate())

    def __lt__(self, o):
        return self.v < _value(o)

    def __le__(self, o):
        return self.v <= _value(o)

    def __gt__(self, o):
        return self.v > _value(o)

    def __ge__(self, o):
        return self.v >= _value(o)

    def __eq__(self, o):
        return self.v == _value(o)

    def __hash__(self):
        return hash(self.v)

    def __int__(self):
        return int(self.v)

    def __bool__(self):
        return bool(self.v)


class _Functions:
    """Stands for `math` or `cmath`."""

    def __init__(self, module):
        self._module = module

    def __getattr__(self, name):
        own = getattr(self._module, name)
        if not callable(own):
            return own

        def call(*args):
            if name in FUNCTIONS:
                _count("complex function" if self._module is cmath else "function")
            return _wrap(own(*(_value(a) for a in args)))

        return call


def _array(make):
    def call(shape, *rest):
        fill, kind = (
            (rest[0], rest[1] if len(rest) > 1 else None) if make == "full" else (0.0, rest[0] if rest else None)
        )
        if isinstance(kind, np.dtype) and kind.names:
            # Records: fields hold numbers that count; those of whole numbers are left as they come.
            records = np.recarray(shape, [(name, object) for name in kind.names])
            for name in kind.names:
                records[name] = 0 if kind[name] == np.int64 else Number(0.0)
            return records
        whole = kind in (np.int64, np.int8, np.bool_) or (make == "full" and isinstance(fill, int) and kind is None)
        if whole:
            return np.full(shape, fill, np.int64 if kind is None else kind)
        return np.full(shape, fill, object)

    return call


def _sqrt(x):
    v = _value(x)
    _count("complex function" if isinstance(v, complex) else "function")
    return Number(cmath.sqrt(v) if isinstance(v, complex) else math.sqrt(v))


_NUMPY = SimpleNamespace(
    empty=_array("empty"), zeros=_array("zeros"), ones=lambda *a: _array("full")(a[0], 1.0), full=_array("full"),
    array=lambda x, *_: np.array([*x], dtype=object), sqrt=_sqrt, pi=math.pi, nan=math.nan, inf=math.inf,
    int64=np.int64, int8=np.int8, bool_=np.bool_, float64=np.float64, complex128=np.complex128,
)  # fmt: skip


def _complex(re=0.0, im=0.0):
    return Number(complex(_value(re), _value(im)))


def _counted_solve():
    """Return `solve` of the kernels in plain Python, every function of every kernel module made to count."""
    modules = [importlib.import_module(f"{kernels.__name__}.{m.name}") for m in pkgutil.iter_modules(kernels.__path__)]
    spaces = {m.__name__: dict(vars(m)) for m in modules}
    made = {}

    def counted(dispatcher):
        plain = dispatcher.py_func
        if plain not in made:
            space = spaces.setdefault(plain.__module__, dict(plain.__globals__))
            body = FunctionType(plain.__code__, space, plain.__name__, plain.__defaults__, plain.__closure__)

            def call(*args):
                _calls[plain.__name__] += 1
                _stack.append(plain.__name__)
                try:
                    return body(*args)
                finally:
                    _stack.pop()

            made[plain] = call
        return made[plain]

    for space in spaces.values():
        for name, value in list(space.items()):
            if isinstance(value, CPUDispatcher):
                space[name] = counted(value)
        space.update(np=_NUMPY, math=_Functions(math), cmath=_Functions(cmath), complex=_complex)
    return spaces[f"{kernels.__name__}.network"]["solve"]


def _numbers(table):
    out = np.empty(table.shape, object)
    for at, v in np.ndenumerate(table):
        out[at] = Number(v)
    return out


def _given(network: Network):
    given = network.given()
    return given._replace(
        sizes=_numbers(given.sizes), angles=_numbers(given.angles), gas=Gas(*map(Number, given.gas)),
        window_table=_numbers(given.window_table),
    )  # fmt: skip


def count(network: Network, start_hz, sensitivities=False):
    """Return (tally, calls) of one solution of all notes, as counters by function name."""
    _tally.clear()
    _calls.clear()
    n = network.modes.size
    size = network.sizes.size
    omegas = np.full(n, 0.0, object)
    grads = np.full((n if sensitivities else 0, size), 0.0, object)
    _counted_solve()(
        _given(network), network.modes, _numbers(2 * np.pi * np.asarray(start_hz)), network.states, omegas,
        omegas.copy(), omegas.copy(), grads,
    )  # fmt: skip
    found = np.array([_value(w) for w in omegas]) / (2 * np.pi)
    return {k: Counter(v) for k, v in _tally.items()}, Counter(_calls), found


def flops(kinds: Counter) -> int:
    """Return the additions and multiplications of a tally; divisions and functions stay apart."""
    return sum(FLOPS[k] * kinds[k] for k in FLOPS)
