"""`groundbox size BOX.toml`: the parts of a planned box."""

from dataclasses import asdict
from pathlib import Path

import click
import msgspec

from groundbox.plan.size.all_parts import size_box
from groundbox.plan.size.box_file import SizeBox, load_box
from groundbox.plan.size.result import SizeResult
from groundbox.ui.options import keys_option


def _number(name: str, value: float) -> str:
    return f"{name} {value:.4g}"


def result_lines(result: SizeResult) -> list[str]:
    """A result as text: the answer, then how to compute it by hand."""
    lines = [answer_line(result)]
    lines.append(f"   formula   {result.formula}")
    lines.append(f"   source    {result.source}")
    lines.append("   input     " + ", ".join(_number(*item) for item in result.numbers.items()))
    lines.append("   result    " + ", ".join(_number(*item) for item in result.values.items()))
    return lines


def answer_line(result: SizeResult) -> str:
    """The answer, marked where the part is not right."""
    return f"{'NOT RIGHT, ' if result.stop else ''}{result.topic}: {result.answer}"


def verdict_of(results: list[SizeResult]) -> str:
    """RIGHT or NOT RIGHT in one line, with the parts that are not right."""
    wrong = [result.topic for result in results if result.stop]
    return f"NOT RIGHT: change {', '.join(wrong)}" if wrong else "RIGHT: every part fits"


def cautions_of(results: list[SizeResult]) -> list[str]:
    """Each caution once, in their order."""
    return list(dict.fromkeys(caution for result in results for caution in result.cautions))


@click.command()
@click.argument("box_toml", type=click.Path(path_type=Path))
@keys_option("box", SizeBox)
@click.option(
    "--json", "as_json", is_flag=True, help="One JSON object with every result, its formula, source and cautions."
)
@click.option("--formulas", is_flag=True, help="Also formula, source and numbers of each part, to check by hand.")
def command(box_toml: Path, as_json: bool, formulas: bool) -> None:
    """Size battery, wires, fuses, air, ventilation and sensor parts of a planned box.

    The exit status is 1 where a part is not right.

    \b
    Example:
      groundbox size host/groundbox/examples/bog_mast_box.toml
      groundbox size host/groundbox/examples/bog_mast_box.toml --formulas
    """
    box = load_box(box_toml)
    results = size_box(box)
    status = int(any(result.stop for result in results))
    if as_json:
        tree = {
            "box": box.name,
            "verdict": "not_right" if status else "right",
            "results": [asdict(result) for result in results],
            "cautions": cautions_of(results),
        }
        click.echo(msgspec.json.format(msgspec.json.encode(tree), indent=2))
        raise SystemExit(status)
    click.echo(f"{verdict_of(results)}\nbox {box.name}, planned\n")
    for result in results:
        click.echo("\n".join([*result_lines(result), ""]) if formulas else answer_line(result))
    click.echo("\nCautions")
    for caution in cautions_of(results):
        click.echo(f"  * {caution}")
    raise SystemExit(status)
