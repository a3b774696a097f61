"""The tables on a terminal: grey until something is wrong, and colour only beside a mark and words."""

from rich.console import Group, RenderableType
from rich.table import Table as RichTable
from rich.text import Text

from deploy.view.levels import MARKS, Level
from deploy.view.picture import Picture
from deploy.view.tables import ALARMS_SHOWN, Table, headline, tables
from supervisor.caution import CAUTION

_LABEL = "grey50"
_WIDE = 100
_OTHER_LINES = 20  # caution, headline, titles, headings, hints
_LINES_PER_ALARM = 3
_MARK_WIDTH = max(len(mark) for mark in MARKS.values())
_STYLES = {
    Level.NORMAL: "grey70",
    Level.NOTE: "bold",
    Level.LOW: "bold magenta",
    Level.MEDIUM: "bold yellow",
    Level.HIGH: "bold orange1",
    Level.CRITICAL: "bold white on red",
}


def render(picture: Picture, now_s: float, speed: float, size: tuple[int, int], hint: str = "") -> RenderableType:
    """Everything for one refresh. `now_s`: the site's time; `size`: width and height in characters; `hint`: the last line."""
    width, height = size
    head = headline(picture, now_s, speed)
    # The caution stands above what a low terminal cuts off.
    parts: list[RenderableType] = [
        Text(CAUTION, style=_LABEL),
        Text("  ".join(cell for cell in head.cells if cell), style=_STYLES[head.level]),
    ]
    things = len(picture.enclosures) + len(picture.rooms) + len(picture.sources)
    room_for = (height - things - _OTHER_LINES) // _LINES_PER_ALARM
    parts += [_table(one, width) for one in tables(picture, now_s, min(max(room_for, 1), ALARMS_SHOWN))]
    parts.append(Text(f"\n{hint}", style=_LABEL))
    return Group(*parts)


def _table(table: Table, width: int) -> RenderableType:
    title = Text(f"\n{table.title}", style=_LABEL)
    if table.note:
        title.append(f": {table.note}")
    if not table.rows:
        return title
    shown = [i for i, column in enumerate(table.columns) if width >= _WIDE or column != table.spare]
    made = RichTable(box=None, padding=(0, 1, 0, 0), header_style=_LABEL, expand=True)
    for i in shown:
        if i == shown[-1]:
            made.add_column(table.columns[i], no_wrap=not table.wraps, overflow="fold" if table.wraps else "ellipsis", ratio=1)
        else:
            longest = max(len(row.cells[i]) for row in table.rows)
            least = _MARK_WIDTH if i == 0 else len(table.columns[i])
            made.add_column(table.columns[i], no_wrap=True, min_width=max(longest, least))
    for row in table.rows:
        made.add_row(*(row.cells[i] for i in shown), style=_STYLES[row.level])
    return Group(title, made)
