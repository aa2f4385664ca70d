"""The setup sheet as a document, for its text and Markdown forms; the typeset page is laid out in `page.typ`."""

from __future__ import annotations

from tiltwright.job.coating import COATING_HEAD
from tiltwright.output.document import (
    BLANK,
    Block,
    BulletList,
    Callout,
    CodeBlock,
    Document,
    Entry,
    Heading,
    Paragraph,
    Table,
)
from tiltwright.sheet import wording
from tiltwright.sheet.data import OperationRow, Sheet, TiltDrawing, VerifyRow

__all__ = ["sheet_document"]


def sheet_document(sheet: Sheet) -> Document:
    """All that the sheet says, in the order of its pages."""
    alerts = wording.labelled_alerts(sheet)
    blocks: list[Block] = [Callout(wording.STOP, alerts)] if alerts else []
    blocks += [BulletList(sheet.notes)] if sheet.notes else []
    blocks += _offsets(sheet)
    blocks += [*_order(sheet), *_coating(sheet)]
    blocks += [Heading(wording.VERIFY_TITLE), BulletList(sheet.verify_words)]
    blocks += [_verify(sheet, row) for row in sheet.verify]
    blocks += [Heading("Cautions"), BulletList(sheet.cautions)]
    blocks.append(Table(("set by", "checked by", "date"), ((BLANK, BLANK, BLANK),), align="lll"))
    blocks += [*_from_axis(sheet), *_stack(sheet), *_touch(sheet), *_directions(sheet)]
    blocks += [Heading("Taken as given"), BulletList(sheet.givens)]
    return Document(wording.KIND, sheet.job, sheet.identity[1:], tuple(blocks))


def _offsets(sheet: Sheet) -> list[Block]:
    before = f"{wording.SET_BEFORE}: " if sheet.before_each else ""
    rows = tuple((op.register, *op.offset, *op.program, f"{before}{op.title}") for op in sheet.operations)
    # The name comes last, so that a long one breaks over lines and wide characters in it push no number aside.
    head = (wording.WORK_OFFSET, *"XYZ", *map(wording.program_head, sheet.letters), "operation")
    blocks: list[Block] = [
        Heading(wording.offsets_heading(sheet)),
        Table(head, rows, align="l" + "r" * (len(head) - 2) + "l"),
    ]
    expanded = tuple(
        (op.register, *(f"+/-{u}" for u in op.expanded), op.name) for op in sheet.operations if op.expanded
    )
    if expanded:
        blocks.append(Table((wording.EXPANDED, *"XYZ", "operation"), expanded, align="lrrrl"))
    if sheet.operations:
        words, values = wording.set_with_each(sheet)
        blocks.append(Paragraph(f"{words} {'; '.join(values)}"))
    blocks += [Paragraph(wording.offsets_words(sheet)), Heading(wording.LOAD_TITLE)]
    for code in sheet.load:
        blocks += [Paragraph(code.when), CodeBlock(code.lines)]
    return blocks


def _order(sheet: Sheet) -> list[Block]:
    if not sheet.order:
        return []
    head = wording.order_head(sheet)
    return [
        Heading(wording.ORDER_TITLE),
        Paragraph(sheet.order_words),
        Table(head, sheet.order, align="r" * (len(head) - 2) + "ll"),
    ]


def _coating(sheet: Sheet) -> list[Block]:
    if not sheet.cut_sizes:
        return []
    return [
        Heading(wording.COATING_TITLE),
        Paragraph(sheet.coating),
        Table(COATING_HEAD, sheet.cut_sizes, align="rrlll"),
    ]


def _directions(sheet: Sheet) -> list[Block]:
    return [
        Heading("What the program's axes are on the part"),
        Paragraph(wording.CLOCK_WORDS),
        *(_operation(sheet, op) for op in sheet.operations),
    ]


def _operation(sheet: Sheet, op: OperationRow) -> Entry:
    lines = (*wording.operation_facts(sheet, op), *op.remarks, *op.beyond_travel)
    return Entry(op.register, op.title, lines)


def _stack(sheet: Sheet) -> list[Block]:
    blocks: list[Block] = [Heading(f"The stack, from the platter up ({sheet.units})")]
    if sheet.stack:
        rows = tuple((s.number, s.up, s.shift_x, s.shift_y, s.x, s.y, s.z, s.name) for s in sheet.stack)
        head = ("", "up", "shift x", "shift y", "to x", "to y", "height z", "step")
        blocks.append(Table(head, rows, align="lrrrrrrl"))
    else:
        blocks.append(Paragraph(wording.NO_STEPS))
    turned = tuple(f"step {step.number}: {step.turns}" for step in sheet.stack if step.turns)
    blocks += [BulletList(turned)] if turned else []
    zero = tuple((what, *values) for what, values in wording.part_zero_rows(sheet))
    return [*blocks, Table(("part zero", "X", "Y", "Z"), zero)]


def _touch(sheet: Sheet) -> list[Block]:
    if sheet.touch is None:
        return []
    return [
        Heading(f"Part zero as touched off, against the stack ({sheet.units})"),
        Table(("in the table frame", "x", "y", "z"), sheet.touch.rows),
        BulletList(sheet.touch.words),
    ]


def _from_axis(sheet: Sheet) -> list[Block]:
    if not sheet.drawings:
        return []
    blocks: list[Block] = [
        Heading(f"From the turning axis to each origin ({sheet.units})"),
        Paragraph(wording.delta_words(sheet)),
    ]
    for one in sheet.drawings:
        blocks += [Paragraph(one.view.title, bold=True), _components(one)]
    return blocks


def _components(one: TiltDrawing) -> Table:
    """The operations of a tilt, their names last."""
    rows = tuple((row[0], *row[2:], row[1]) for row in one.rows)
    return Table((one.head[0], *one.head[2:], one.head[1]), rows, align="lrrrl")


def _verify(sheet: Sheet, row: VerifyRow) -> Entry:
    x, y, z = row.display
    pose = f"program {sheet.angles(row.program)}, X0 Y0, down to Z {row.height} and no lower"
    display = f"display X {x}  Y {y}"
    sum_to_write = f"Z {z} {wording.PLUS_TOOL} {BLANK} = {BLANK}  checked [ ]"
    return Entry(row.register, row.name, (pose, display, sum_to_write, wording.verify_reference(sheet, row)))
