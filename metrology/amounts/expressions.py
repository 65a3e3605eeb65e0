"""Formulas that a person writes, such as ls + d - ls*(da*theta + a*dtheta): read safely, computed, differentiated.

Only numbers, names, + - * / ^ (or **), brackets and the functions below. Angles are in radians; rad(30) is 30 degrees.
"""

import ast
import unicodedata
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from metrology.errors import InputError

CONSTANTS = {"pi": float(np.pi)}
_FUNCTIONS: dict[str, Callable[..., Any]] = {
    "sin": np.sin, "cos": np.cos, "tan": np.tan, "asin": np.arcsin, "acos": np.arccos, "atan": np.arctan,
    "atan2": np.arctan2, "sqrt": np.sqrt, "exp": np.exp, "ln": np.log, "log": np.log, "log10": np.log10,
    "abs": np.abs, "sign": np.sign, "hypot": np.hypot, "rad": np.deg2rad, "deg": np.rad2deg,
}  # fmt: skip
FUNCTIONS = tuple(_FUNCTIONS)
_TWO = {"atan2", "hypot"}
LONGEST = 500
_DEEPEST = 60
_HELP = "Write names, numbers, + - * / ^, brackets and functions such as sqrt(…)."


class Expression(ABC):
    """A formula. Equal formulas compare equal; `names` are what it needs."""

    @abstractmethod
    def value(self, at: Mapping[str, Any]) -> Any:
        """The value for a float or an array of each name; arrays must fit together. NaN where it has none."""

    @abstractmethod
    def derivative(self, name: str) -> "Expression":
        """The partial derivative, exact."""

    @property
    @abstractmethod
    def names(self) -> frozenset[str]: ...


@dataclass(frozen=True)
class Number(Expression):
    number: float

    def value(self, at: Mapping[str, Any]) -> Any:
        return self.number

    def derivative(self, name: str) -> Expression:
        return ZERO

    @property
    def names(self) -> frozenset[str]:
        return frozenset()


@dataclass(frozen=True)
class Name(Expression):
    name: str

    def value(self, at: Mapping[str, Any]) -> Any:
        return at[self.name]

    def derivative(self, name: str) -> Expression:
        return ONE if name == self.name else ZERO

    @property
    def names(self) -> frozenset[str]:
        return frozenset({self.name})


@dataclass(frozen=True)
class Sum(Expression):
    left: Expression
    right: Expression

    def value(self, at: Mapping[str, Any]) -> Any:
        return self.left.value(at) + self.right.value(at)

    def derivative(self, name: str) -> Expression:
        return plus(self.left.derivative(name), self.right.derivative(name))

    @property
    def names(self) -> frozenset[str]:
        return self.left.names | self.right.names


@dataclass(frozen=True)
class Product(Expression):
    left: Expression
    right: Expression

    def value(self, at: Mapping[str, Any]) -> Any:
        return self.left.value(at) * self.right.value(at)

    def derivative(self, name: str) -> Expression:
        return plus(times(self.left.derivative(name), self.right), times(self.left, self.right.derivative(name)))

    @property
    def names(self) -> frozenset[str]:
        return self.left.names | self.right.names


@dataclass(frozen=True)
class Power(Expression):
    base: Expression
    exponent: Expression

    def value(self, at: Mapping[str, Any]) -> Any:
        return np.power(np.asarray(self.base.value(at), dtype=np.float64), self.exponent.value(at))

    def derivative(self, name: str) -> Expression:
        inner, outer = self.base.derivative(name), self.exponent.derivative(name)
        first = times(times(self.exponent, power(self.base, plus(self.exponent, Number(-1.0)))), inner)
        if outer == ZERO:
            return first
        return plus(first, times(times(self, Call("ln", (self.base,))), outer))

    @property
    def names(self) -> frozenset[str]:
        return self.base.names | self.exponent.names


@dataclass(frozen=True)
class Call(Expression):
    function: str
    arguments: tuple[Expression, ...]

    def value(self, at: Mapping[str, Any]) -> Any:
        return _FUNCTIONS[self.function](*(argument.value(at) for argument in self.arguments))

    def derivative(self, name: str) -> Expression:
        outer = _outer(self.function, self.arguments)
        total: Expression = ZERO
        for by, part in zip(outer, self.arguments, strict=True):
            total = plus(total, times(by, part.derivative(name)))
        return total

    @property
    def names(self) -> frozenset[str]:
        return frozenset().union(*(argument.names for argument in self.arguments))


ZERO, ONE = Number(0.0), Number(1.0)


def plus(left: Expression, right: Expression) -> Expression:
    if isinstance(left, Number) and isinstance(right, Number):
        return Number(left.number + right.number)
    if left == ZERO:
        return right
    return left if right == ZERO else Sum(left, right)


def times(left: Expression, right: Expression) -> Expression:
    if isinstance(left, Number) and isinstance(right, Number):
        return Number(left.number * right.number)
    if ZERO in (left, right):
        return ZERO
    if left == ONE:
        return right
    return left if right == ONE else Product(left, right)


def power(base: Expression, exponent: Expression) -> Expression:
    if exponent == ZERO:
        return ONE
    return base if exponent == ONE else Power(base, exponent)


def _over(left: Expression, right: Expression) -> Expression:
    return times(left, power(right, Number(-1.0)))


def _outer(function: str, parts: tuple[Expression, ...]) -> tuple[Expression, ...]:
    """The derivatives of a function by its arguments."""
    x = parts[0]
    square = power(x, Number(2.0))
    minus = Number(-1.0)
    match function:
        case "sin":
            return (Call("cos", parts),)
        case "cos":
            return (times(minus, Call("sin", parts)),)
        case "tan":
            return (power(Call("cos", parts), Number(-2.0)),)
        case "asin":
            return (power(plus(ONE, times(minus, square)), Number(-0.5)),)
        case "acos":
            return (times(minus, power(plus(ONE, times(minus, square)), Number(-0.5))),)
        case "atan":
            return (power(plus(ONE, square), minus),)
        case "sqrt":
            return (times(Number(0.5), power(x, Number(-0.5))),)
        case "exp":
            return (Call("exp", parts),)
        case "ln" | "log":
            return (power(x, minus),)
        case "log10":
            return (times(Number(float(1 / np.log(10.0))), power(x, minus)),)
        case "abs":
            return (Call("sign", parts),)
        case "sign":
            return (ZERO,)
        case "rad":
            return (Number(float(np.pi / 180)),)
        case "deg":
            return (Number(float(180 / np.pi)),)
    other = parts[1]
    both = plus(square, power(other, Number(2.0)))
    if function == "hypot":
        return (_over(x, Call("hypot", parts)), _over(other, Call("hypot", parts)))
    return (_over(other, both), times(minus, _over(x, both)))  # atan2(y, x)


def parse(text: str, names: "frozenset[str] | set[str] | None" = None) -> Expression:
    """Read a formula. names: those it may use; None: any.

    Raises InputError: no-formula, bad-formula (what is wrong), unknown-name.
    """
    if not text.strip():
        raise InputError("no-formula", f"There is no formula. {_HELP}")
    if len(text) > LONGEST:
        raise InputError("bad-formula", f"The formula is longer than {LONGEST} characters. Split it up.")
    plain = text.translate({0x2212: "-", 0x00B7: "*", 0x00D7: "*", 0x00F7: "/", 0x2013: "-"}).replace("^", "**").strip()
    try:
        tree = ast.parse(plain, mode="eval").body
        found = _convert(tree, 0)
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise InputError("bad-formula", f"“{text.strip()[:60]}” cannot be read as a formula. {_HELP}") from None
    if names is not None and (strange := sorted(found.names - {normal(name) for name in names})):
        known = ", ".join(sorted(names)) or "none"
        raise InputError("unknown-name", f"The formula uses “{strange[0]}”, which has no row. The rows are {known}.")
    return found


def normal(name: str) -> str:
    """A name as formulas compare it: µ may be typed with two keys."""
    return unicodedata.normalize("NFKC", name.strip())


def check_name(name: str) -> str:
    """The normal form of a name that a formula can use. Raises InputError (bad-name)."""
    plain = normal(name)
    try:
        good = isinstance(ast.parse(plain, mode="eval").body, ast.Name)
    except (SyntaxError, ValueError):
        good = False
    if not good or plain in CONSTANTS or plain in _FUNCTIONS:
        raise InputError(
            "bad-name",
            f"“{name[:30]}” cannot stand in a formula. Use letters, digits and _, such as d_1, and no word it has.",
        )
    return plain


def _convert(node: ast.AST, depth: int) -> Expression:
    if depth > _DEEPEST:
        raise InputError("bad-formula", "The formula has too many brackets inside each other. Split it up.")
    match node:
        case ast.Constant(value=int() | float() as number) if not isinstance(number, bool):
            return Number(float(number))
        case ast.Name(id=name) if name in CONSTANTS:
            return Number(CONSTANTS[name])
        case ast.Name(id=name) if name in _FUNCTIONS:
            raise InputError("bad-formula", f"{name} needs its brackets: {name}(…).")
        case ast.Name(id=name):
            return Name(normal(name))
        case ast.UnaryOp(op=ast.USub(), operand=inner):
            return times(Number(-1.0), _convert(inner, depth + 1))
        case ast.UnaryOp(op=ast.UAdd(), operand=inner):
            return _convert(inner, depth + 1)
        case ast.BinOp(left=left, op=op, right=right):
            return _binary(_convert(left, depth + 1), op, _convert(right, depth + 1))
        case ast.Call(func=ast.Name(id=name), args=arguments, keywords=[]):
            return _call(name, [_convert(one, depth + 1) for one in arguments])
        case ast.Tuple():
            raise InputError("bad-formula", "A comma separates nothing here. Write decimals with a point: 2.5.")
    raise InputError("bad-formula", f"The formula has something that does not belong in it. {_HELP}")


def _binary(left: Expression, op: ast.operator, right: Expression) -> Expression:
    match op:
        case ast.Add():
            return plus(left, right)
        case ast.Sub():
            return plus(left, times(Number(-1.0), right))
        case ast.Mult():
            return times(left, right)
        case ast.Div():
            return _over(left, right)
        case ast.Pow():
            return power(left, right)
    raise InputError("bad-formula", f"The formula has an operator that is not known here. {_HELP}")


def _call(name: str, arguments: list[Expression]) -> Expression:
    if name not in _FUNCTIONS:
        raise InputError("bad-formula", f"{name}(…) is not known here. Known are {', '.join(FUNCTIONS)}.")
    wanted = 2 if name in _TWO else 1
    if len(arguments) != wanted:
        raise InputError("bad-formula", f"{name}(…) takes {wanted} {'figures' if wanted == 2 else 'figure'}.")
    return Call(name, tuple(arguments))
