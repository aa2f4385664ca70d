"""`tiltwright schema`: the JSON Schema of the files, for editors."""

from __future__ import annotations

from typing import Annotated

import typer

from tiltwright.commands.options import Force, Output, show_or_write

__all__ = ["schema"]


def schema(
    kind: Annotated[
        str, typer.Argument(metavar="machine|job|plan|rule", help="Which file's schema.", show_default=False)
    ],
    output: Output = None,
    force: Force = False,
) -> None:
    """The JSON Schema of machine, job, plan and rule files, so that an editor completes and checks them.

    Examples:

    \b
      tiltwright schema machine -o machine.schema.json
      tiltwright schema job -o job.schema.json
    """
    import json

    from tiltwright.files.diagnostics import shown
    from tiltwright.files.parsing import option_error
    from tiltwright.files.schema import json_schema

    for known in ("machine", "job", "plan", "rule"):
        if kind == known:
            break
    else:
        raise option_error("schema", shown(kind), '"machine", "job", "plan" or "rule"')
    made = json_schema(known)
    show_or_write(json.dumps(made, indent=2) + "\n", output, force=force)
