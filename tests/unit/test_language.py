"""The documents' languages: every word marked, every message translated, numbers and dates as
each language writes them.

Source outside the project: the Unicode Common Locale Data Repository (CLDR), as Babel carries it,
for decimal signs, groups, names of days and months, and plural rules.
"""

from __future__ import annotations

import gettext
import html as html_lib
import re
import string
from collections import defaultdict
from collections.abc import Iterator
from datetime import date
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import languages
import pytest
from babel import Locale
from babel.messages.catalog import Catalog, Message
from jinja2 import nodes
from report_data import WEEK, fleet_of, week
from test_report_pages import PRINTED

from pipeline.report import language, report
from pipeline.report.filters import date_words, number
from pipeline.report.language import ngettext, speaking, spoken
from pipeline.report.pages import environment, fleet_html
from pipeline.report.weekdata import read_week, week_words
from pipeline.weekly import UNLOCKS

# Names, units and the like: what stands in a page of any language alike.
PLAIN = frozenset("Cold Minutes coldminutes SHA kWh kW kJ min km EUR".split())  # noqa: SIM905
MESSAGE_CALLS = frozenset({"_", "ngettext", "pgettext"})
ROOT = Path(__file__).resolve().parents[2]
TEMPLATES = sorted((ROOT / "report_templates").rglob("*.j2"))
WORD = re.compile(r"[^\W\d_]{2,}")


@pytest.fixture(scope="module")
def source() -> Catalog:
    return languages.template()


def both(source: Catalog, code: str) -> Iterator[tuple[Message, Message]]:
    """Each message of the source with the one of the catalogue."""
    catalogue = languages.read(code)
    for message in source:
        if message.id:
            found = catalogue.get(message.id, message.context)
            assert found is not None, f"{code}: run tests/languages.py; it lacks {message.id!r}"
            yield message, found


def forms(message: Message) -> tuple[str, ...]:
    said = message.string
    return tuple(said) if isinstance(said, tuple | list) else (said,)


def fields(text: str) -> set[str]:
    """Names in braces; anything else that ``str.format`` would read there is refused."""
    found = set()
    for _literal, name, form, conversion in string.Formatter().parse(text):
        if name is not None:
            assert re.fullmatch("[a-z_]+", name), text
            assert not form, text
            assert not conversion, text
            found.add(name)
    return found


# --- The catalogues ---


def test_the_extraction_sees_what_is_there(source: Catalog, tmp_path: Path) -> None:
    texts = {message.id for message in source if message.id}
    assert ("{n} stop", "{n} stops") in texts, "from a template"
    assert "page {page} of {pages}" in texts, "from Python"
    assert "partly warmed" in texts, "from a table"
    for name, unlocks in UNLOCKS.values():
        assert {name, unlocks} <= texts, "from an earlier stage"
    file = tmp_path / "some.py"
    file.write_text(
        "a = f\"{_(WORDS[row['why']])} {pgettext('at sea', 'knot')} {N_('two' ' words')}\"\n"
    )
    assert set(languages.messages_of(file)) == {("at sea", "knot"), (None, "two words")}


def test_one_english_sentence_has_one_plural() -> None:
    """gettext knows a message by its first form: a second plural of it would be lost."""
    found = defaultdict(set)
    for path in languages.sources():
        for context, text in languages.messages_of(path):
            found[context, text[0] if isinstance(text, tuple) else text].add(text)
    for texts in found.values():
        assert len({text for text in texts if isinstance(text, tuple)}) <= 1, texts


def test_english_can_be_filled_in(source: Catalog) -> None:
    for message in source:
        one_or_both = message.id if isinstance(message.id, tuple) else (message.id,)
        named = [fields(text) - {"n"} for text in one_or_both]
        assert named[0] == named[-1], message.id


@pytest.mark.parametrize("code", languages.TRANSLATED)
def test_the_catalogue_is_as_the_source_asks(source: Catalog, code: str) -> None:
    """No message too many, none missing, and no other bytes than the helper writes."""
    kept = (languages.CATALOGUES / f"{code}.po").read_bytes()
    assert languages.updated(code, source) == kept, "run: .venv/bin/python tests/languages.py"


@pytest.mark.parametrize("code", languages.TRANSLATED)
def test_every_message_has_words(source: Catalog, code: str) -> None:
    lacking = [
        message.id
        for message, found in both(source, code)
        if "fuzzy" in found.flags or not languages.has_words(found)
    ]
    assert not lacking, f"{code}: {len(lacking)} messages without words, first {lacking[:3]}"


@pytest.mark.parametrize("code", languages.TRANSLATED)
def test_every_translation_fills_the_same_fields(source: Catalog, code: str) -> None:
    plurals_n = languages.read(code).num_plurals
    for message, found in both(source, code):
        is_counted = isinstance(message.id, tuple)
        wanted = fields(message.id[-1] if is_counted else message.id)
        assert len(forms(found)) == (plurals_n if is_counted else 1), message.id
        for at, form in enumerate(forms(found)):
            if not form:
                continue
            own = fields(form)
            # "the week before" counts one without a figure.
            missing = wanted - own - ({"n"} if is_counted and at == 0 else set())
            assert not missing, (code, message.id, form)
            assert not own - wanted, (code, message.id, form)
            english = message.id[0] if is_counted else message.id
            assert form[:1].isspace() == english[:1].isspace(), (code, message.id)
            assert form[-1:].isspace() == english[-1:].isspace(), (code, message.id)


def test_what_is_not_translated_stays_english(monkeypatch: pytest.MonkeyPatch) -> None:
    """Empty words of a catalogue never blank a report."""
    monkeypatch.setattr(language, "folder", lambda name: Path(languages.ROOT) / name)
    catalogue = Catalog(locale="de")
    catalogue.add("cold", "")
    catalogue.add(("{n} stop", "{n} stops"), ("", ""))
    monkeypatch.setattr(language, "read_po", lambda stream, locale: catalogue)
    words = language._catalogue("de")
    assert words.gettext("cold") == "cold"
    assert words.ngettext("{n} stop", "{n} stops", 2) == "{n} stops"


# --- The templates hold no bare word ---


def bare_words(path: Path) -> Iterator[str]:
    """Words of a template that stand in no message."""
    tree = environment(fleet_of()).parse(path.read_text(encoding="utf-8"))
    page = "".join(
        each.data if isinstance(each, nodes.TemplateData) else "\x00"
        for output in tree.find_all(nodes.Output)
        for each in output.nodes
    )
    page = re.sub(r"<style.*?</style>|<!.*?>", "", page, flags=re.DOTALL)
    spoken_attributes = re.findall(r'\b(?:alt|title|aria-label|summary)="([^"]*)"', page)
    spoken_attributes += re.findall(r'name="description" content="([^"]*)"', page)
    # A head's width may come from a value, which closes no tag.
    text = re.sub(r"<[^<>]*>", " ", page)
    yield from WORD.findall(html_lib.unescape(" ".join([text, *spoken_attributes])))
    yield from (word for text in _constants(tree) for word in WORD.findall(text))


def _constants(node: nodes.Node) -> Iterator[str]:
    """Constants of expressions that read like words: capitals, or more than one word."""
    if (
        isinstance(node, nodes.Call)
        and isinstance(node.node, nodes.Name)
        and node.node.name in MESSAGE_CALLS
    ):
        for each in [*node.args, *node.kwargs]:
            if not isinstance(each, nodes.Const):
                yield from _constants(each)
        return
    if isinstance(node, nodes.Const) and isinstance(node.value, str):
        text = node.value
        if not re.match(r"#|tables/|_partials|[\w.]+\.j2$", text) and (
            re.match(r"\s*[A-Z]", text) or re.search(r"[a-z]{2,} [a-z]{2,}", text)
        ):
            yield text
    for child in node.iter_child_nodes():
        yield from _constants(child)


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.name)
def test_templates_hold_no_bare_word(path: Path) -> None:
    assert {word for word in bare_words(path) if word not in PLAIN | FONTS} == set()


FONTS = frozenset({"Minutes", "Sans", "Fallback"})


def test_the_scan_finds_bare_words(tmp_path: Path) -> None:
    file = tmp_path / "some.html.j2"
    file.write_text(
        '<h2 title="Hint">Bare {{ _("Marked") }}</h2>{{ section_head("Two words") }}'
        '{{ ngettext("{n} thing", "{n} things", rows | length) }}<p>{{ x or "None here" }}</p>'
    )
    found = set(bare_words(file))
    assert found == {"Hint", "Bare", "Two", "words", "None", "here"}


# --- A language in which every message is in brackets ---


class Bracketed(gettext.NullTranslations):
    """Every message in brackets, so that what is in none was never marked."""

    def gettext(self, message: str) -> str:
        return f"«{message}»"

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        return f"«{msgid1 if n == 1 else msgid2}»"

    def pgettext(self, context: str, message: str) -> str:
        return f"«{message}»"


class Visible(HTMLParser):
    """What is read or read out: text, titles and descriptions, none of it in a style."""

    def __init__(self) -> None:
        super().__init__()
        self.skipped = ""
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if tag == "style" or named.get("lang") == "en":
            self.skipped = tag
        keys = ["alt", "title", "aria-label"]
        keys += ["content"] if named.get("name") == "description" else []
        self.found += [named[key] or "" for key in keys if key in named]

    def handle_endtag(self, tag: str) -> None:
        if tag == self.skipped:
            self.skipped = ""

    def handle_data(self, data: str) -> None:
        if not self.skipped:
            self.found.append(data)


def unmarked(html: str, names: set[str]) -> set[str]:
    """Visible words in no bracket that are no name, unit or id."""
    page = Visible()
    page.feed(html.replace('<html lang="en">', "<html>"))
    longest_first = sorted(names, key=lambda name: (-len(name), name))
    found = set()
    for text in page.found:
        rest = text
        while "«" in rest and rest != (rest := re.sub("«[^«»]*»", " ", rest)):
            pass
        if WORD.search(rest):
            for name in longest_first:
                rest = rest.replace(name, " ")
        found |= set(WORD.findall(rest))
    return found - PLAIN


def names_in(tables: dict[str, list[dict[str, Any]]]) -> set[str]:
    """Names and ids of the invented tables, whole as they are printed, and what else is no word."""
    known = {"Norrvind Byggtransport", "Europe/Stockholm", WEEK}
    for names in (Locale.parse("en").days, Locale.parse("en").months):
        known |= set(names["format"]["abbreviated"].values())
    named = re.compile(
        "(vehicle|site|model|column)_(name|id)|subject_name|driver_label|stop_ids?|file_path"
        "|example_(file|value)|rule|content_sha256|record_id|missing_signals"
    )
    for rows in tables.values():
        for row in rows:
            for key, value in row.items():
                if named.fullmatch(key) and value and value != "unassigned":
                    each = value if isinstance(value, list) else [value]
                    known |= {form(text) for text in each for form in _FORMS}
    return known


_FORMS = (str, lambda text: text.replace("_", " "), lambda text: text[:10])
"""As it is, a code as words, the first letters of a hash."""


@pytest.fixture
def bracketed(monkeypatch: pytest.MonkeyPatch) -> None:
    fake = language.Language("en", Locale.parse("en"), Bracketed())
    monkeypatch.setattr(language, "language", lambda code: fake)


@pytest.mark.parametrize("kind", ["rich", "none", "unknown", "summaries", "blank"])
@pytest.mark.usefixtures("bracketed")
def test_every_visible_word_is_marked(kind: str) -> None:
    con, tables = week(kind, "names")
    fleet = fleet_of("names")
    html = fleet_html(read_week(con, WEEK, fleet), fleet, **PRINTED)
    assert html.count("«") > 40, "the fake language is spoken"
    assert unmarked(html, names_in(tables)) == set()


def test_an_unmarked_word_is_found() -> None:
    html = '<html lang="en"><p title="Bad">«One «inner» two» Worse 5 kWh <b>Van</b></p></html>'
    assert unmarked(html, {"Van"}) == {"Bad", "Worse"}


# --- A document speaks its fleet's language, its tables none ---


def test_the_page_says_its_language_and_the_tables_do_not_change(tmp_path: Path) -> None:
    written: dict[str, dict[str, bytes]] = {}
    for code in ("en", "de"):
        con, _tables = week("rich", "names")
        out = tmp_path / code
        report(
            con,
            fleet_of("names", language=code),
            WEEK,
            out,
            pdf=False,
            method_version="1.0",
            version="0.1.0",
        )
        files = [path for path in sorted(out.rglob("*")) if path.is_file()]
        written[code] = {str(path.relative_to(out)): path.read_bytes() for path in files}
    page = f"{WEEK}/fleet.html"
    assert written["en"].keys() == written["de"].keys()
    changed = {name for name, data in written["en"].items() if written["de"][name] != data}
    assert changed == {page}
    assert '<html lang="en">' in written["en"][page].decode()
    german = written["de"][page].decode()
    assert '<html lang="de">' in german
    assert "Januar" in german
    assert re.search(r">\d+,\d<", german)
    assert not re.search(r">\d+\.\d<", german)
    assert spoken().code == "en", "left as it was found"


# --- Numbers, dates and counts; expected values from CLDR 44 and later ---


@pytest.mark.parametrize(
    ("code", "shown", "day", "days"),
    [
        ("en", "−12 345.6", "Mon 12 Jan", "Mon 12 to Sun 18 January 2026"),
        ("de", "−12.345,6", "Mo. 12. Jan.", "Mo. 12.|So. 18. Januar 2026"),
        ("fr", "−12 345,6", "lun. 12 janv.", "lun. 12|dim. 18 janvier 2026"),
        ("nb", "−12 345,6", "man. 12. jan.", "man. 12.|søn. 18. januar 2026"),
        ("es", "−12.345,6", "lun 12 ene", "lun 12|dom 18 de enero de 2026"),
    ],
)
def test_numbers_and_days(code: str, shown: str, day: str, days: str) -> None:
    with speaking(code):
        assert number(-12345.6, 1).replace("\u00a0", " ") == shown
        assert date_words(date(2026, 1, 12)) == day
        for part in days.split("|"):
            assert part in week_words("2026-W03")


@pytest.mark.parametrize("code", language.LANGUAGES)
def test_a_week_over_the_turn_of_the_year_names_both_years(code: str) -> None:
    with speaking(code):
        assert re.search("2025.*2026", week_words("2026-W01"))
        assert len(re.findall("2026", week_words("2026-W05"))) == 1


def test_french_counts_none_as_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """CLDR: in French ``one`` covers 0 and 1; in English 1 alone."""
    catalogue = Catalog(locale="fr")
    catalogue.add(("{n} stop", "{n} stops"), ("{n} arrêt", "{n} arrêts"))
    monkeypatch.setattr(language, "read_po", lambda stream, locale: catalogue)
    french = language.Language("fr", Locale.parse("fr"), language._catalogue("fr"))
    monkeypatch.setattr(language, "language", lambda code: french)
    counted = [ngettext("{n} stop", "{n} stops", n) for n in (0, 1, 2)]
    assert counted == ["0 arrêt", "1 arrêt", "2 arrêts"]
