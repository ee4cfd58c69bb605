"""Templates: ours, and an operator's own in ``templates/`` of the fleet folder, fenced in.

Ours are trusted. As soon as a fleet has templates of its own, everything is rendered in a sandbox:
they see what our templates see and nothing else, reach no file outside the two folders, and may
not make a page that fetches or runs anything.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from jinja2 import (
    BaseLoader,
    ChoiceLoader,
    Environment,
    FileSystemLoader,
    PrefixLoader,
    StrictUndefined,
    TemplateError,
    TemplateNotFound,
    TemplateSyntaxError,
    nodes,
)
from jinja2.exceptions import SecurityError
from jinja2.loaders import split_template_path
from jinja2.sandbox import ImmutableSandboxedEnvironment

from pipeline.config import Fleet
from pipeline.problems import ColdMinutesError, Problem
from pipeline.report import language
from pipeline.report.fence import runs_or_fetches
from pipeline.report.filters import one_line, quantity_filters
from pipeline.resources import folder

OWN_FOLDER = "templates"
ORIGINALS = "original"
"""``{% extends "original/fleet_week.html.j2" %}``: ours, whatever the folder overrides."""
EXTRAS = "own/"
"""Files under it override nothing; others of the folder include them."""
MOST_TEMPLATE_BYTES = 256 * 1024
MOST_REPEATED = 10_000
_REMEDY = "Mend it, or move it out of templates/. Nothing was written."


class _Fenced(BaseLoader):
    """Templates of one folder, links followed and held to it; each at most so long."""

    def __init__(self, root: Path) -> None:
        self.root = root.resolve()

    def get_source(
        self, environment: Environment, template: str
    ) -> tuple[str, str, Callable[[], bool]]:
        parts = split_template_path(template)  # refuses '..'
        path = self.root.joinpath(*parts)
        if not path.is_file():
            raise TemplateNotFound(template)
        if not path.resolve().is_relative_to(self.root):
            raise SecurityError(f"{template} leads out of the folder")
        with path.open("rb") as stream:
            content = stream.read(MOST_TEMPLATE_BYTES + 1)
        if len(content) > MOST_TEMPLATE_BYTES:
            raise SecurityError(f"{template} is larger than {MOST_TEMPLATE_BYTES // 1024} kB")
        source = content.decode("utf-8")
        for node in environment.parse(source, template, str(path)).find_all(
            nodes.ScopedEvalContextModifier
        ):
            raise TemplateSyntaxError(
                "autoescape cannot be switched", node.lineno, template, str(path)
            )
        return source, str(path), lambda: True


class _Sandbox(ImmutableSandboxedEnvironment):
    """The sandbox, without what makes text of unlimited length or text that is not escaped."""

    intercepted_binops = frozenset({"*", "**", "%"})

    def call_binop(self, context: Any, operator: str, left: Any, right: Any) -> Any:
        """Repeat text so often only; no powers, no old-style formats."""
        are_numbers = isinstance(left, int | float) and isinstance(right, int | float)
        if operator == "*" and not are_numbers:
            times = left if isinstance(left, int) else right
            if isinstance(times, int) and times > MOST_REPEATED:
                raise SecurityError(f"text repeated more than {MOST_REPEATED} times")
        elif not are_numbers or operator == "**":
            raise SecurityError(f"the operator {operator} is not for templates")
        return super().call_binop(context, operator, left, right)


def own_templates(fleet_folder: Path) -> Path | None:
    """The fleet's folder of templates; None where it has none."""
    path = fleet_folder / OWN_FOLDER
    return path if path.is_dir() else None


def template_environment(fleet: Fleet) -> Environment:
    """Strict and escaping, with our filters; sandboxed where the fleet has templates of its own."""
    own = own_templates(fleet.folder)
    ours = FileSystemLoader(folder("report_templates"))
    options: dict[str, Any] = {
        "autoescape": True,
        "undefined": StrictUndefined,
        "trim_blocks": True,
        "lstrip_blocks": True,
    }
    if own is None:
        jinja = Environment(loader=ours, **options)
    else:
        jinja = _Sandbox(
            loader=ChoiceLoader([PrefixLoader({ORIGINALS: ours}), _Fenced(own), ours]), **options
        )
        for name in ("safe", "xmlattr"):
            del jinja.filters[name]
    jinja.filters.update(quantity_filters(fleet.settings))
    jinja.globals.update(
        {"_": language._, "ngettext": language.ngettext, "pgettext": language.pgettext}
    )
    return jinja


def rendered(
    jinja: Environment, fleet_folder: Path, template: str, context: Mapping[str, Any]
) -> str:
    """The page of a template.

    Raises
    ------
    ColdMinutesError
        ``LOOK-03`` where a template of the fleet's own cannot be used, ``LOOK-04`` where the page
        that it makes would run or fetch something. A fault of ours is raised as it is.
    """
    own = own_templates(fleet_folder)
    if own is None:
        return jinja.get_template(template).render(context)
    try:
        html = jinja.get_template(template).render(context)
    except Exception as error:
        where = _blamed(error, own)
        if where is None:
            raise
        raise ColdMinutesError([_broken(where, error)]) from error
    found = runs_or_fetches(_without_ours(html, context))
    if found:
        raise ColdMinutesError(
            [
                Problem(
                    "LOOK-04",
                    "stop",
                    f"{OWN_FOLDER}/, page {template}",
                    f"the page would run or fetch something: {'; '.join(found[:3])}",
                    "Documents are complete in themselves: a picture goes in as look.logo, styles "
                    "as text. Remove it. Nothing was written.",
                )
            ]
        )
    return html


def override_problems(fleet: Fleet) -> list[Problem]:
    """What can be told of a fleet's templates without a week to print: names, links, syntax."""
    own = own_templates(fleet.folder)
    if own is None:
        return []
    ours = folder("report_templates")
    jinja = template_environment(fleet)
    problems = []
    for path in sorted(own.rglob("*")):
        if path.is_dir() and not path.is_symlink():
            continue
        name = path.relative_to(own).as_posix()
        if not name.startswith(EXTRAS) and not (name.endswith(".j2") and (ours / name).is_file()):
            problems.append(
                Problem(
                    "LOOK-03",
                    "stop",
                    f"{OWN_FOLDER}/{one_line(name)[:100]}",
                    "no template of that name is there to be overridden",
                    f"Take the name of one of ours, or put it under {OWN_FOLDER}/{EXTRAS} and "
                    "include it from there. Nothing was written.",
                )
            )
            continue
        try:
            if name.endswith(".j2"):
                jinja.get_template(name)
        except (TemplateError, SecurityError, UnicodeDecodeError, OSError) as error:
            problems.append(_broken(f"{OWN_FOLDER}/{one_line(name)[:100]}", error))
    return problems


def _broken(where: str, error: Exception) -> Problem:
    line = getattr(error, "lineno", None)
    at = f"{where} line {line}" if line and " line " not in where else where
    kind = "" if isinstance(error, TemplateError) else f"{type(error).__name__}: "
    said = one_line(getattr(error, "message", None) or error)[:200]
    return Problem("LOOK-03", "stop", at, f"the template cannot be used: {kind}{said}", _REMEDY)


def _blamed(error: Exception, own: Path) -> str | None:
    """The last place in the fleet's own templates that the error went through; None for ours."""
    root = own.resolve()
    if isinstance(error, TemplateSyntaxError) and error.filename:
        if Path(error.filename).resolve().is_relative_to(root):
            return f"{OWN_FOLDER}/{Path(error.filename).resolve().relative_to(root).as_posix()}"
        return None
    if isinstance(error, UnicodeDecodeError | SecurityError):
        # Raised while one was loaded, before it has a frame of its own, or in the sandbox.
        return _framed(error, root) or f"{OWN_FOLDER}/"
    return _framed(error, root)


def _framed(error: Exception, root: Path) -> str | None:
    for frame, line in reversed(list(traceback.walk_tb(error.__traceback__))):
        path = Path(frame.f_code.co_filename)
        if path.suffix == ".j2" and path.resolve().is_relative_to(root):
            return f"{OWN_FOLDER}/{path.resolve().relative_to(root).as_posix()} line {line}"
    return None


def _without_ours(html: str, context: Mapping[str, Any]) -> str:
    """The page without our stylesheets, whose fonts and escapes are known; they hold no tag."""
    for name in ("stylesheet", "screen_stylesheet"):
        css = str(context.get(name, ""))
        if css and "<" not in css:
            html = html.replace(css, "")
    return html
