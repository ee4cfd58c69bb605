"""An operator's own look: what is allowed, what is refused and in which words; the fence."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from PIL import Image, ImageFile, PngImagePlugin
from report_data import HOSTILE, WEEK, fleet_of, week

from pipeline.config import Fleet
from pipeline.look_config import Look
from pipeline.problems import ColdMinutesError
from pipeline.report import check_look, look
from pipeline.report.fence import runs_or_fetches
from pipeline.report.look import logo_png, own_look
from pipeline.report.pages import fleet_html
from pipeline.report.palette import contrast
from pipeline.report.templates import rendered, template_environment
from pipeline.report.weekdata import read_week


def fleet_in(folder: Path, **own: Any) -> Fleet:
    fleet = fleet_of(look=own)
    return fleet.model_copy(update={"folder": folder})


def picture(path: Path, size: tuple[int, int] = (60, 20), mode: str = "RGB", **how: Any) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.new(mode, size).save(path, **how)
    return path


def page_of(fleet: Fleet) -> str:
    con, _ = week("one")
    instant = datetime(2026, 1, 19, tzinfo=UTC)
    data = read_week(con, WEEK, fleet)
    return fleet_html(data, fleet, instant=instant, method_version="1", version="1")


def own_page_of(fleet: Fleet) -> str:
    """Only the section that the tests override, which is quicker than a report."""
    context = {"operator": "Norrvind", "vehicles": [{"vehicle_name": name} for name in HOSTILE]}
    jinja = template_environment(fleet)
    return rendered(jinja, fleet.folder, "_partials/sites.html.j2", context)


def refusal(fleet: Fleet) -> str:
    with pytest.raises(ColdMinutesError) as caught:
        check_look(fleet)
    assert all(problem.level == "stop" and problem.remedy for problem in caught.value.problems)
    return str(caught.value)


def override(folder: Path, name: str, text: str | bytes) -> Fleet:
    path = folder / "templates" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return fleet_in(folder)


def test_nothing_set_changes_nothing(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    check_look(fleet)
    assert own_look(fleet) == look.PLAIN
    assert not own_look(fleet).style


def test_logo_colours_and_address_are_printed(tmp_path: Path) -> None:
    picture(tmp_path / "art" / "logo.png")
    address = ("Norrvägen 1 <b>", "\u202e'); alert(1)")
    fleet = fleet_in(
        tmp_path, logo="art/logo.png", heading_colour="#005F73", accent_colour="#9b2226",
        address=address,
    )  # fmt: skip
    check_look(fleet)
    html = page_of(fleet)
    assert ":root{--look-heading:#005f73;--look-accent:#9b2226;}" in html
    assert '<img src="data:image/png;base64,' in html
    assert 'alt="Logo of Norrvind Byggtransport"' in html
    assert "Norrvägen 1 &lt;b&gt;" in html
    assert "\u202e" not in html


# Ratios from memory of WCAG's own examples: #767676 is the palest grey that passes on white, with
# 4.54:1, and #777777 fails with 4.48:1.
@pytest.mark.parametrize(("colour", "ratio"), [("#777777", "4.47:1"), ("#ffff00", "1.07:1")])
def test_pale_colours_are_refused_with_the_number(colour: str, ratio: str, tmp_path: Path) -> None:
    text = refusal(fleet_in(tmp_path, heading_colour=colour))
    assert f"LOOK-01 fleet.toml, key look.heading_colour: {colour}" in text
    assert ratio in text
    assert contrast(colour, "#ffffff") < 4.5
    check_look(fleet_in(tmp_path, heading_colour="#767676", accent_colour="#000000"))


@pytest.mark.parametrize("colour", ["red", "#fff", "#12345g", "#000000;}", "url(x)"])
def test_what_is_no_colour_is_refused(colour: str) -> None:
    with pytest.raises(ValueError, match="heading_colour"):
        Look(heading_colour=colour)


def test_six_lines_of_address_are_refused() -> None:
    with pytest.raises(ValueError, match="address"):
        Look(address=("x",) * 6)


def test_logos_that_cannot_be_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    inside = tmp_path / "fleet"
    inside.mkdir()
    picture(tmp_path / "outside.png")
    (inside / "link.png").symlink_to(tmp_path / "outside.png")
    picture(inside / "a.gif")
    (inside / "a.svg").write_text("<svg/>")
    (inside / "fake.png").write_bytes(b"\x89PNG\r\n\x1a\n nothing")
    whole = picture(inside / "whole.png").read_bytes()
    (inside / "cut.png").write_bytes(whole[: len(whole) // 2])
    picture(inside / "long.png", (look.MOST_LOGO_SIDE_PX + 1, 1))
    picture(inside / "large.png", (2001, 2000), mode="1")
    (inside / "heavy.png").write_bytes(whole + b"\0" * look.MOST_LOGO_BYTES)
    # As WeasyPrint leaves it for the whole process.
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)
    for name, words in (
        ("../outside.png", "lies outside the fleet folder"),
        (str(tmp_path / "outside.png"), "lies outside the fleet folder"),
        ("link.png", "lies outside the fleet folder"),
        ("missing.png", "is not there"),
        (".", "is not there, or is no file"),
        ("a\0b.png", "cannot be read"),
        ("a.gif", "cannot be read as PNG or JPEG"),
        ("a.svg", "cannot be read as PNG or JPEG"),
        ("fake.png", "cannot be read as PNG or JPEG"),
        ("cut.png", "cannot be read as PNG or JPEG"),
        ("long.png", "4001 x 1 pixels"),
        ("large.png", "2001 x 2000 pixels"),
        ("heavy.png", "is larger than 512 kB"),
    ):
        text = refusal(fleet_in(inside, logo=name))
        assert "LOOK-02" in text, name
        assert words in text, name
    # Refused by its head: no pixel of a picture too large is ever decoded.
    monkeypatch.setattr(Image.Image, "convert", lambda *_: pytest.fail("decoded"))
    assert "2001 x 2000" in refusal(fleet_in(inside, logo="large.png"))


@pytest.mark.parametrize("mode", ["CMYK", "L", "RGB"])
def test_a_logo_is_written_anew(mode: str, tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x010E] = "secret place"
    picture(tmp_path / "x.jpg", mode=mode, exif=exif)
    content = logo_png(tmp_path, "x.jpg")
    assert b"secret" in (tmp_path / "x.jpg").read_bytes()
    assert b"secret" not in content
    with Image.open(io.BytesIO(content)) as image:
        assert (image.format, image.mode, image.size) == ("PNG", "RGB", (60, 20))
        assert not image.info
    assert logo_png(tmp_path, "x.jpg") == content


def test_a_transparent_logo_stays_so_and_loses_its_words(tmp_path: Path) -> None:
    info = PngImagePlugin.PngInfo()
    info.add_text("Author", "secret name")
    picture(tmp_path / "x.png", mode="RGBA", pnginfo=info)
    content = logo_png(tmp_path, "x.png")
    assert b"secret" not in content
    with Image.open(io.BytesIO(content)) as image:
        assert image.mode == "RGBA"


def test_an_own_partial_replaces_ours_and_can_build_on_it(tmp_path: Path) -> None:
    override(tmp_path, "own/line.html.j2", "<p>{{ operator }} & own</p>")
    fleet = override(
        tmp_path,
        "_partials/front.html.j2",
        '{% include "original/_partials/front.html.j2" %}{% include "own/line.html.j2" %}',
    )
    check_look(fleet)
    html = page_of(fleet)
    assert "<p>Norrvind Byggtransport & own</p>" in html
    # All else is as without a sandbox, and our own page passes the fence.
    assert html.replace("<p>Norrvind Byggtransport & own</p>", "") == page_of(fleet_in(Path("/no")))


def test_an_own_page_escapes_hostile_names(tmp_path: Path) -> None:
    fleet = override(
        tmp_path,
        "_partials/sites.html.j2",
        "{% for row in vehicles %}<p>{{ row.vehicle_name }}</p>{% endfor %}",
    )
    html = own_page_of(fleet)
    assert "<p>&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt;</p>" in html


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{% if %}", "line 1"),
        ("x\n{{ no_such_variable }}", "line 2: the template cannot be used: 'no_such_variable'"),
        ("{{ operator.nothing }}", "has no attribute 'nothing'"),
        ("{{ 1 / 0 }}", "ZeroDivisionError"),
        ("{{ operator | no_filter }}", "No filter named 'no_filter'"),
        ("{{ operator | safe }}", "No filter named 'safe'"),
        (
            "{% autoescape false %}{{ operator }}{% endautoescape %}",
            "autoescape cannot be switched",
        ),
        ('{% include "../fleet.toml" %}', "../fleet.toml"),
        ('{% include "/etc/hostname" %}', "/etc/hostname"),
        ('{% include "original/../pyproject.toml" %}', "pyproject.toml"),
        ('{% include "own/link.html.j2" %}', "leads out of the folder"),
        ('{% include "own/long.html.j2" %}', "larger than 256 kB"),
        ('{% include "own/bytes.html.j2" %}', "UnicodeDecodeError"),
        ('{% include "_partials/sites.html.j2" %}', "RecursionError"),
        ("{{ operator.__class__.__mro__ }}", "unsafe"),
        ("{{ _.__globals__ }}", "unsafe"),
        ('{{ ("{0.__class__}").format(operator) }}', "unsafe"),
        ("{{ 'x' * 100000000 }}", "repeated"),
        ("{{ 9 ** 9 }}", "not for templates"),
        ("{{ '%1000000000d' % 1 }}", "not for templates"),
        ("{% for i in range(100000000) %}{% endfor %}", "OverflowError"),
        ("{{ vehicles.append(1) }}", "unsafe"),
    ],
)
def test_a_broken_template_is_told_where(text: str, words: str, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("secret")
    own = tmp_path / "fleet" / "templates" / "own"
    own.mkdir(parents=True)
    (own / "link.html.j2").symlink_to(secret)
    (own / "long.html.j2").write_text("x" * (256 * 1024 + 1))
    (own / "bytes.html.j2").write_bytes(b"\xff\xfe")
    fleet = override(tmp_path / "fleet", "_partials/sites.html.j2", text)
    with pytest.raises(ColdMinutesError) as caught:
        own_page_of(fleet)
    (problem,) = caught.value.problems
    assert problem.code == "LOOK-03"
    assert problem.where.startswith("templates/")
    assert words in str(problem)
    assert problem.remedy


def test_what_can_be_told_before_the_run(tmp_path: Path) -> None:
    fleet = override(tmp_path, "_partials/site.html.j2", "x")
    override(tmp_path, "fleet_week.html.j2", "{% for %}")
    override(tmp_path, "report.css", "p {}")
    text = refusal(fleet)
    assert "LOOK-03 templates/_partials/site.html.j2: no template of that name" in text
    assert "LOOK-03 templates/report.css: no template of that name" in text
    assert "LOOK-03 templates/fleet_week.html.j2 line 1" in text


def test_a_fault_of_ours_is_not_blamed_on_them(tmp_path: Path) -> None:
    fleet = override(tmp_path, "_partials/sites.html.j2", "x")
    jinja = template_environment(fleet)
    with pytest.raises(Exception, match="undefined") as caught:
        rendered(jinja, fleet.folder, "sheet.html.j2", {})
    assert not isinstance(caught.value, ColdMinutesError)


HEAD = "<!DOCTYPE html>"


@pytest.mark.parametrize(
    "body",
    [
        "<script>x</script>",
        "<SCRIPT SRC=x>",
        "<svg><script>x</script></svg>",
        "<img src=https://example.invalid/x.png>",
        "<img src='//example.invalid/x'>",
        "<img src=/etc/hostname>",
        "<img srcset='x 1x'>",
        "<a href='javascript:x'>y</a>",
        "<a href=' javascript:x'>y</a>",
        "<a href='http://example.invalid'>y</a>",
        "<svg><image xlink:href='http://x'/></svg>",
        "<p onclick=x>",
        "<link rel=stylesheet href=x>",
        "<meta http-equiv=refresh content='0;url=x'>",
        "<base href=x>",
        "<iframe srcdoc=x></iframe>",
        "<form action=x>",
        "<style>@import 'x';</style>",
        "<style>p{background:url(http://x)}</style>",
        "<style>p{background:URL( 'x')}</style>",
        "<style>p{background:\\75rl(x)}</style>",
        "<style>p{background:image-set('x' 1x)}</style>",
        "<p style='background:url(x)'>",
        "<p style='background:u\\72l(x)'>",
        "<svg><style><img src=x onerror=y></style></svg>",
        "<svg><title><img src=x onerror=y></title></svg>",
        "<!-- > <script>x</script> -->",
        "<noscript><p title='</noscript><img src=x onerror=y>'></noscript>",
        "<svg><rect fill='url(http://x)'/></svg>",
    ],
)
def test_a_page_that_runs_or_fetches_is_seen(body: str) -> None:
    assert runs_or_fetches(HEAD + body)


@pytest.mark.parametrize(
    "body",
    [
        "<a href='#x'>y</a><a href='https://example.invalid'>y</a><a href='mailto:a@b.c'>y</a>",
        "<img src='data:image/png;base64,xx' alt='z'>",
        "<svg><title>5 &lt; 6</title><rect fill='url(#hatch)'/></svg>",
        "<style>p{color:red}</style><p style='width:4mm'>script onclick= url(x)</p>",
    ],
)
def test_a_plain_page_is_left_alone(body: str) -> None:
    assert runs_or_fetches(HEAD + body) == []


def test_such_a_page_is_refused(tmp_path: Path) -> None:
    text = '<img src="https://example.invalid/x.png" alt="">'
    with pytest.raises(ColdMinutesError, match=r"LOOK-04 templates/.*example\.invalid"):
        own_page_of(override(tmp_path, "_partials/sites.html.j2", text))
