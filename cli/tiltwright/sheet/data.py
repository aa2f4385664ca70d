"""Contents of a setup sheet: formatted text, and the geometry that its drawings need.

Screen, text file, Markdown and typeset page are all written from this one value, so they cannot disagree.
Numbers carry an ASCII minus here; the typeset page turns it into a typographic one outside of G-code.
"""

from __future__ import annotations

from dataclasses import dataclass

from tiltwright.sheet.side_view import SideView

Texts = tuple[str, ...]


@dataclass(frozen=True)
class StackRow:
    """One step of the stack.

    Attributes
    ----------
    number, name : str
    up, shift_x, shift_y : str
        The step itself.
    turns : str
        Its turns in words; empty without any.
    x, y, z : str
        Its end in the table frame: z is the running height over the platter face.
    """

    number: str
    name: str
    up: str
    shift_x: str
    shift_y: str
    turns: str
    x: str
    y: str
    z: str


@dataclass(frozen=True)
class OperationRow:
    """One operation.

    Attributes
    ----------
    number, name : str
    register : str
        The work offset's name, "G54" to "G59.3".
    program_name, tool : str
        The program that runs here and the tool it starts with; empty when the job names none.
    program, machine : tuple of str
        Angles, one for each rotary of the sheet's letters.
    origin : tuple of str
        X Y Z of the program's zero in part coordinates.
    offset, rotary_offset : tuple of str
        What to load.
    directions : tuple of str
        Where the program's X, Y and Z point on the part, in words.
    remarks : tuple of str
        Direction of the plane's own x, rotaries that may have any angle.
    beyond_travel : tuple of str
        Offsets outside the machine's travels.
    platter : (float, float, float)
        The platter's normal seen from the side: to the right, up, and toward the eye.
    from_axis : (str, str)
        The offset's two seen components from the first rotary's line.
    tilt : tuple of str
        Machine angles of all rotaries but the last; operations with equal ones stand at one tilt.
    expanded : tuple of str
        Expanded uncertainty of X, Y and Z; empty without a budget.
    nest : str
        The nest that the operation's part stands in; empty without nests.
    """

    number: str
    name: str
    register: str
    program_name: str
    tool: str
    program: Texts
    machine: Texts
    origin: Texts
    offset: Texts
    rotary_offset: Texts
    directions: Texts
    remarks: Texts
    beyond_travel: Texts
    platter: tuple[float, float, float]
    from_axis: tuple[str, str]
    tilt: Texts
    expanded: Texts = ()
    nest: str = ""

    @property
    def title(self) -> str:
        """The operation with the program that runs there and the tool it starts with."""
        program = f", program {self.program_name}" if self.program_name else ""
        tool = f", tool {self.tool}" if self.tool else ""
        nest = f", nest {self.nest}" if self.nest else ""
        return f"{self.number}. {self.name}{nest}{program}{tool}"


@dataclass(frozen=True)
class LoadBlock:
    """G-code that sets work offsets, and when to run it."""

    when: str
    lines: Texts


@dataclass(frozen=True)
class VerifyRow:
    """Expected display over one operation's origin.

    Attributes
    ----------
    register, name : str
    program, machine : tuple of str
        Program angles to command, and the machine angles that go with them.
    height : str
        Program Z at which the tip stops.
    display : tuple of str
        Machine X, Y, and Z without the tool's length offset, at that height.
    over : tuple of str
        The origin in part coordinates.
    """

    register: str
    name: str
    program: Texts
    machine: Texts
    height: str
    display: Texts
    over: Texts


@dataclass(frozen=True)
class TouchTable:
    """Part zero as touched off, compared with the stack: rows of (what, X, Y, Z) in the table frame, then sentences."""

    rows: tuple[Texts, ...]
    words: Texts


@dataclass(frozen=True)
class TiltDrawing:
    """One drawing, and the components of the offset of every operation at that tilt.

    Attributes
    ----------
    view : SideView
    head : tuple of str
        Column heads of ``rows``.
    rows : tuple of tuple of str
        Work offset, operation, the last rotary's program angle, the two components from the tilt axis.
    """

    view: SideView
    head: Texts
    rows: tuple[Texts, ...]


@dataclass(frozen=True)
class Sheet:
    """A setup sheet.

    Attributes
    ----------
    job, revision, machine : str
        Names; the revision is empty when the job states none.
    units : str
        "mm" or "inch".
    z_reference, date, version : str
        In words; the date as it was passed in.
    calibration : str
        When, by whom and with what uncertainty the rotaries' lines were last measured, in one line.
    notes : tuple of str
        The job's own.
    alerts : tuple of str
        Messages to read before the sheet is used.
    failures : tuple of str
        Those among them about what does not reach or clear.
    letters : tuple of str
        Of the rotaries, from the base outward.
    stack : tuple of StackRow
    part_zero_table, part_zero_machine : tuple of str
        X Y Z in the table frame, and in machine coordinates at the all-zero pose.
    all_zero : str
        The all-zero pose in words, machine angles.
    operations : tuple of OperationRow
    load : tuple of LoadBlock
    before_each : bool
        More operations than work offsets: some share one, which is set again before each of them.
    touch : TouchTable or None
    drawings : tuple of TiltDrawing
    givens, verify_words, cautions : tuple of str
    verify : tuple of VerifyRow
    nest : str
        The one nest that the sheet is for; empty where it is for all, or where there are none.
    order_words : str
        The order of work over all nests, where it goes tilt by tilt; else empty.
    coating : str
        The coating in words; empty without one.
    cut_sizes : tuple of tuple of str
        Rows of sizes to cut before it.
    order : tuple of tuple of str
        Of each operation in that order: its number, machine angles (empty where they are those of the row above), program
        angles, work offset, operation.
    corrected : bool
        Whether a correction is in force: the offsets and the distances to their origins have it, the stack has not.
    """

    job: str
    revision: str
    machine: str
    units: str
    z_reference: str
    date: str
    version: str
    calibration: str
    notes: Texts
    alerts: Texts
    failures: Texts
    letters: Texts
    stack: tuple[StackRow, ...]
    part_zero_table: Texts
    part_zero_machine: Texts
    all_zero: str
    operations: tuple[OperationRow, ...]
    load: tuple[LoadBlock, ...]
    before_each: bool
    touch: TouchTable | None
    drawings: tuple[TiltDrawing, ...]
    givens: Texts
    verify_words: Texts
    verify: tuple[VerifyRow, ...]
    cautions: Texts
    nest: str = ""
    order_words: str = ""
    order: tuple[Texts, ...] = ()
    coating: str = ""
    cut_sizes: tuple[Texts, ...] = ()
    corrected: bool = False

    @property
    def identity(self) -> tuple[tuple[str, str], ...]:
        """Job, machine, units and date, as label and value."""
        return (
            ("Job", self.job),
            ("Revision", self.revision or "none stated"),
            *((("Nest", self.nest),) if self.nest else ()),
            ("Machine", self.machine),
            ("Lengths", "millimetres" if self.units == "mm" else "inches"),
            ("Z reference", self.z_reference),
            ("Date", self.date),
            ("Calibration", self.calibration),
            ("Made with", f"tiltwright {self.version}"),
        )

    def angles(self, values: Texts) -> str:
        """Angles of all rotaries on one line, "A -30.0000  C 0.0000"."""
        return "  ".join(f"{letter} {value}" for letter, value in zip(self.letters, values, strict=True))
