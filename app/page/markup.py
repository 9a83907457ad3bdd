"""Small pieces of HTML, and texts that Streamlit is to show as they are.

Names, remarks and the sentences that quote them may come from outside. Into HTML they go through ``escape``,
here and nowhere else. What Streamlit itself draws (headings, buttons, messages) it reads as Markdown, where
a name could be a link, a picture from elsewhere or a formula: there they go through ``plain``.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable, Sequence
from html import escape

_JOINER = "\N{WORD JOINER}"
"""Takes no room and lets no line break; it keeps apart what Streamlit looks for once Markdown is read."""
_MARKS = re.compile(r"[\\`*_\[\]{}<>$~|#&]|:(?=[A-Za-z])")
_BEGINNINGS = re.compile(r"^([-+=]|\d+(?=[.)]))")
_ADDRESSES = re.compile(r"(?<=https:)(?=//)|(?<=http:)(?=//)|(?<=www)(?=\.)|(?<=@)", re.IGNORECASE)
_PICTURES = re.compile(r"(?<=:)(?=[\w+/-]+:)")
_ARROWS = re.compile(r"(?<!\S)(<->|->|<-|--|>=|<=|~=)(?!\S)")


def plain(text: str) -> str:
    """A text in one line as Markdown that shows just this text.

    Links, pictures, formulas, colours and signs by name are left as they were written; so are addresses,
    which Streamlit would turn into links although they are marked as text.
    """
    line = " ".join(text.split())
    line = _ARROWS.sub(lambda found: found[0][0] + _JOINER + found[0][1:], line)
    line = _PICTURES.sub(_JOINER, _ADDRESSES.sub(_JOINER, line))
    line = _MARKS.sub(r"\\\g<0>", line)
    return _BEGINNINGS.sub(lambda found: f"\\{found[0]}" if found[0] in "-+=" else found[0] + "\\", line)


def paragraph(words: str, css_class: str = "") -> str:
    """A paragraph of plain text."""
    return f'<p class="{escape(css_class)}">{escape(words)}</p>' if css_class else f"<p>{escape(words)}</p>"


def bullets(lines: Iterable[str], *, numbered: bool = False) -> str:
    """A list of plain lines."""
    tag = "ol" if numbered else "ul"
    return f"<{tag}>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + f"</{tag}>"


def table(head: Sequence[str], rows: Iterable[Sequence[str]], caption: str) -> str:
    """A table of plain texts; the first column heads its row."""
    cells = "".join(f'<th scope="col">{escape(name)}</th>' for name in head)
    body = []
    for first, *others in rows:
        rest = "".join(f"<td>{escape(cell)}</td>" for cell in others)
        body.append(f'<tr><th scope="row">{escape(first)}</th>{rest}</tr>')
    return (
        f'<table class="sc-table"><caption>{escape(caption)}</caption>'
        f"<thead><tr>{cells}</tr></thead><tbody>{''.join(body)}</tbody></table>"
    )


def tall_table(head: Sequence[str], rows: Iterable[Sequence[str]], caption: str) -> str:
    """A table for a narrow screen: the first text of a row has a line of its own above the others."""
    return _tall(head, ((first, (("", *others),)) for first, *others in rows), caption, named=False)


def grouped_table(
    head: Sequence[str], groups: Iterable[tuple[str, Iterable[Sequence[str]]]], caption: str
) -> str:
    """A table for a narrow screen: each group of rows has a line of its own above; first texts head rows."""
    return _tall(head, groups, caption, named=True)


def _tall(
    head: Sequence[str], groups: Iterable[tuple[str, Iterable[Sequence[str]]]], caption: str, *, named: bool
) -> str:
    first_name, *names = head
    first = '<th class="sc-row" scope="col">' if named else '<th scope="col">'
    cells = f"{first}{escape(first_name)}</th>" + "".join(f'<th scope="col">{escape(n)}</th>' for n in names)
    body = []
    for group, rows in groups:
        title = f'<th class="sc-item" scope="rowgroup" colspan="{len(head)}">{escape(group)}</th>'
        lines = []
        for row_name, *others in rows:
            name = f'<th class="sc-row" scope="row">{escape(row_name)}</th>' if named else ""
            lines.append(f"<tr>{name}{''.join(f'<td>{escape(one)}</td>' for one in others)}</tr>")
        body.append(f"<tbody><tr>{title}</tr>{''.join(lines)}</tbody>")
    return (
        f'<table class="sc-table sc-tall"><caption>{escape(caption)}</caption>'
        f"<thead><tr>{cells}</tr></thead>{''.join(body)}</table>"
    )


def card(kind: str, heading: str, parts: Iterable[tuple[str, str]]) -> str:
    """A box with a coloured edge and its kind in words; parts are (name, text), empty texts left out."""
    lines = "".join(
        f"<p><b>{escape(name)}</b> {escape(text)}</p>" if name else f"<p>{escape(text)}</p>"
        for name, text in parts
        if text
    )
    return (
        f'<section class="sc-card sc-{escape(kind)}"><p class="sc-kind">{escape(kind)}</p>'
        f"<h3>{escape(heading)}</h3>{lines}</section>"
    )


def figures(entries: Iterable[tuple[str, str]]) -> str:
    """A row of (name, value) with the values large; wraps on a narrow screen."""
    pairs = "".join(f"<p><span>{escape(name)}</span><b>{escape(value)}</b></p>" for name, value in entries)
    return f'<div class="sc-figures">{pairs}</div>'


def cautions(lines: Sequence[str], *, folded: bool) -> str:
    """The cautions; folded, the first and the last stay in sight and the others open on a touch."""
    if not folded:
        return f'<section class="sc-cautions"><h2>Before anything else</h2>{bullets(lines)}</section>'
    first, *others, last = lines
    return (
        f'<section class="sc-cautions"><p><b>{escape(first)}</b></p><p><b>{escape(last)}</b></p>'
        f'<details><summary><span class="sc-more">All cautions</span></summary>{bullets(others)}</details>'
        "</section>"
    )


def picture(content: bytes, kind: str, words: str) -> str:
    """A picture as part of the page itself, so that it has no address somebody else could ask.

    Parameters
    ----------
    content : bytes
        The file.
    kind : str
        Its media type.
    words : str
        For those who do not see it.
    """
    data = base64.b64encode(content).decode("ascii")
    return f'<img class="sc-picture" decoding="sync" src="data:{kind};base64,{data}" alt="{escape(words)}">'


def download_link(address: str, words: str, file_name: str, *, aside: bool = False) -> str:
    """A link that looks like a button and hands over a file; one aside stands back behind the next step."""
    look = "sc-button sc-aside" if aside else "sc-button"
    return (
        f'<a class="{look}" href="{escape(address)}" download="{escape(file_name)}" target="_self">'
        f"{escape(words)}</a>"
    )


def player(address: str, words: str) -> str:
    """A player that fetches only the parts of a clip it plays."""
    return (
        f'<video class="sc-video" controls playsinline preload="metadata" src="{escape(address)}" '
        f'aria-label="{escape(words)}"></video>'
    )


def remark(text: str, heading: str, place: str) -> str:
    """What somebody said, with who and where; line breaks stay."""
    where = f"<p><b>{escape(place)}</b></p>" if place else ""
    return (
        f'<div class="sc-remark"><p class="sc-small">{escape(heading)}</p>{where}<p>{escape(text)}</p></div>'
    )
