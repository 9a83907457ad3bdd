"""What a record is made of, before anything is set on paper."""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph.

    Attributes
    ----------
    words : str
        Plain text; line breaks are kept.
    style : str
        ``body``, ``strong`` or ``small``.
    """

    words: str
    style: str = "body"


@dataclass(frozen=True, slots=True)
class Notice:
    """Sentences in a box: the cautions."""

    title: str
    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list, numbered from 1 if wanted."""

    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Facts:
    """Names with their values, one a row, of one thing or of several side by side.

    Attributes
    ----------
    rows : tuple of tuple of str
        Name, then a value for each thing.
    mono : tuple of str
        Names whose value is set in type of one width: checksums.
    head : tuple of str
        Over the columns; empty for none.
    """

    rows: tuple[tuple[str, ...], ...]
    mono: tuple[str, ...] = ()
    head: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Table:
    """A table whose head is repeated on every page it reaches.

    Attributes
    ----------
    head : tuple of str
    rows : tuple of tuple of str
    widths : tuple of float
        Share of each column; any unit.
    words : tuple of int
        Columns that hold words and are set flush left; the others hold figures.
    caption : str
        Small line above; empty for none.
    share : float
        Share of the page's width: a few short columns far apart are hard to follow.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    words: tuple[int, ...] = (0,)
    caption: str = ""
    share: float = 1.0

    def __post_init__(self) -> None:
        sizes = {len(self.head), len(self.widths), *map(len, self.rows)}
        if len(sizes) != 1:
            raise ValueError(f"rows of {sorted(sizes)} cells in one table")


@dataclass(frozen=True, slots=True)
class Statement:
    """A finding with its severity, its figure, what is the case and what to do."""

    severity: str
    where: str
    figure: str
    text: str
    advice: str


@dataclass(frozen=True, slots=True)
class Plots:
    """Figures side by side, with one caption."""

    figures: tuple[Figure, ...]
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Photograph:
    """A picture of the film.

    Attributes
    ----------
    jpeg : bytes
    size_wh_px : tuple of int
    caption : str
    """

    jpeg: bytes
    size_wh_px: tuple[int, int]
    caption: str


@dataclass(frozen=True, slots=True)
class Photographs:
    """Pictures that belong together."""

    pictures: tuple[Photograph, ...]


@dataclass(frozen=True, slots=True)
class SignatureLines:
    """Lines to write a name, a date and a signature on, one row for each role."""

    roles: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Subheading:
    """A heading within a section."""

    words: str


Block = (
    Text | Notice | Bullets | Facts | Table | Statement | Plots | Photographs | SignatureLines | Subheading
)


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with what stands below it.

    Attributes
    ----------
    title : str
        Empty for blocks that need no heading.
    blocks : tuple of Block
    new_page : bool
        Whether it starts on a page of its own.
    """

    title: str
    blocks: tuple[Block, ...]
    new_page: bool = False


@dataclass(frozen=True, slots=True)
class Document:
    """A whole record.

    Attributes
    ----------
    title, subtitle : str
    running : str
        What the head of each page says.
    sections : tuple of Section
    """

    title: str
    subtitle: str
    running: str
    sections: tuple[Section, ...]
