"""Whether a page would run or fetch anything: a document is complete in itself."""

from __future__ import annotations

import re
from html.parser import HTMLParser

from pipeline.report.filters import one_line

_REFUSED_TAGS = frozenset(
    {"script", "iframe", "frame", "frameset", "object", "embed", "applet", "link", "base", "form",
     "audio", "video", "source", "track", "portal",
     # Their content is read differently by different parsers.
     "math", "noembed", "noframes", "noscript", "plaintext", "template", "textarea", "xmp"}
)  # fmt: skip
_PICTURES = ("#", "data:image/")
_LINKS = ("#", "https://", "mailto:", "tel:")
_ADDRESSES = frozenset(
    {"src", "href", "xlink:href", "srcset", "poster", "action", "formaction", "background",
     "data", "ping", "cite", "longdesc", "manifest"}
)  # fmt: skip


def runs_or_fetches(html: str) -> list[str]:
    """What a page would run or fetch, in words; strict, so that no reader need see it otherwise.

    Examples
    --------
    >>> runs_or_fetches('<!DOCTYPE html><p onclick="x()">')
    ['onclick of <p>']
    """
    found = [
        f"'<' inside <{tag.lower()}>"
        for tag, inside in re.findall(r"(?is)<(title|style)\b[^>]*>(.*?)</\1", html)
        if "<" in inside
    ]
    # Comments and the like are where parsers differ; names from exports are escaped.
    if "<!" in html[1:] or "<?" in html:
        found.append("a comment or declaration")
    watcher = _Watcher()
    watcher.feed(html)
    watcher.close()
    return list(dict.fromkeys(found + watcher.found))


class _Watcher(HTMLParser):
    """Finds what a page would run or fetch."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[str] = []
        self._is_style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._is_style = tag == "style"
        if tag in _REFUSED_TAGS:
            self.found.append(f"<{tag}>")
        for name, value in attrs:
            text = (value or "").strip()
            if name.startswith("on") or name in ("http-equiv", "srcdoc"):
                self.found.append(f"{name} of <{tag}>")
            elif name in _ADDRESSES:
                allowed = _LINKS if (tag, name) == ("a", "href") else _PICTURES
                if not text.lower().startswith(allowed):
                    self.found.append(f'{name}="{one_line(text)[:60]}"')
            elif name == "style" or "url(" in text.lower():
                self._styles(text)

    def handle_endtag(self, tag: str) -> None:
        self._is_style = False

    def handle_data(self, data: str) -> None:
        if self._is_style:
            self._styles(data)

    def _styles(self, css: str) -> None:
        low = css.lower()
        # Escapes can spell url( and @import in ways that are not seen here.
        self.found += [word for word in ("@import", "\\", "image-set(", "src(") if word in low]
        for part in low.split("url(")[1:]:
            if not part.lstrip(" \t\r\n\"'").startswith(("data:font/", *_PICTURES)):
                self.found.append(f"url({one_line(part)[:40]}")
