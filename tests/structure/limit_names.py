"""A plugin of the type checker: a limit that no rule file has is refused where it is asked for, with the nearest names.

The names are read from ``forensics/rules/limits/*.toml`` when the checker starts, so that nothing is generated and
nothing can be out of date. What is checked: a literal, a choice between literals and a constant, wherever `Limits` is
asked by name or a parameter is called ``limit_name`` or ``lasting``. A constant that holds a name is ``Final``. A name
that is put together or handed on is refused when it is asked for, by `Limits` itself.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Callable
from pathlib import Path

from mypy.nodes import GDEF, ConditionalExpr, Expression, NameExpr, StrExpr, Var
from mypy.plugin import FunctionContext, MethodContext, Plugin, ReportConfigContext
from mypy.types import Instance, LiteralType, Type, UnionType, get_proper_type

_LIMITS = "forensics.rules.Limits"
_ASKED = {f"{_LIMITS}.{method}" for method in ("__getitem__", "limit", "basis", "count", "scaled")}
_NAMED = {"limit_name", "lasting"}


def limit_names(folder: Path) -> frozenset[str]:
    """Names of all limits of a rules folder, ``family.name``."""
    return frozenset(
        f"{path.stem}.{name}"
        for path in (folder / "limits").glob("*.toml")
        for name in tomllib.loads(path.read_text(encoding="utf-8"))
    )


class LimitNames(Plugin):
    """Refuses names of limits that are in no rule file."""

    known: frozenset[str] = limit_names(Path(__file__).parents[2] / "forensics" / "rules")

    def report_config_data(self, ctx: ReportConfigContext) -> object:
        """What a kept answer of the checker stands on beside the code: the names themselves."""
        return sorted(self.known)

    def get_method_hook(self, fullname: str) -> Callable[[MethodContext], Type] | None:
        """Checks of a call of a method, or of an index."""
        if fullname in _ASKED:
            return self._asked
        return self._named if fullname.startswith("forensics.") else None

    def get_function_hook(self, fullname: str) -> Callable[[FunctionContext], Type] | None:
        """Checks of a call of a function or a class."""
        return self._named if fullname.startswith("forensics.") else None

    def _asked(self, ctx: MethodContext) -> Type:
        if ctx.args and ctx.args[0]:
            self._check(ctx, ctx.args[0][0], ctx.arg_types[0][0])
        return ctx.default_return_type

    def _named(self, ctx: FunctionContext | MethodContext) -> Type:
        for formal, args, types in zip(ctx.callee_arg_names, ctx.args, ctx.arg_types, strict=True):
            if formal in _NAMED and args:
                self._check(ctx, args[0], types[0])
        return ctx.default_return_type

    def _check(self, ctx: FunctionContext | MethodContext, asked: Expression, found: Type) -> None:
        for name in _literals(asked, found):
            if name and name not in self.known:
                near = ", ".join(difflib.get_close_matches(name, self.known, n=2)) or "none"
                ctx.api.fail(f'No limit is called "{name}"; nearest: {near}', asked)
        if (
            isinstance(asked, NameExpr)
            and asked.kind == GDEF
            and isinstance(asked.node, Var)
            and not asked.node.is_final
        ):
            ctx.api.fail(f'"{asked.name}" holds the name of a limit: it is Final', asked)


def _literals(asked: Expression, found: Type) -> list[str]:
    if isinstance(asked, StrExpr):
        return [asked.value]
    if isinstance(asked, ConditionalExpr):
        return [*_literals(asked.if_expr, found), *_literals(asked.else_expr, found)]
    if isinstance(asked, NameExpr) and isinstance(asked.node, Var) and isinstance(asked.node.final_value, str):
        return [asked.node.final_value]
    proper = get_proper_type(found)
    if isinstance(proper, Instance) and proper.last_known_value is not None:
        proper = proper.last_known_value
    parts = [get_proper_type(part) for part in proper.items] if isinstance(proper, UnionType) else [proper]
    return [part.value for part in parts if isinstance(part, LiteralType) and isinstance(part.value, str)]


def plugin(version: str) -> type[Plugin]:
    """What the type checker asks for."""
    return LimitNames
