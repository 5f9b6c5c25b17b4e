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
    mark = "!! " if result.stop else ""
    lines = [f"{mark}{result.topic}: {result.answer}"]
    lines.append(f"   formula   {result.formula}")
    lines.append(f"   source    {result.source}")
    lines.append("   input     " + ", ".join(_number(*item) for item in result.numbers.items()))
    lines.append("   result    " + ", ".join(_number(*item) for item in result.values.items()))
    return lines


def cautions_of(results: list[SizeResult]) -> list[str]:
    """Each caution once, in their order."""
    return list(dict.fromkeys(caution for result in results for caution in result.cautions))


@click.command()
@click.argument("box_toml", type=click.Path(path_type=Path))
@keys_option("box", SizeBox)
@click.option(
    "--json", "as_json", is_flag=True, help="One JSON object with every result, its formula, source and cautions."
)
def command(box_toml: Path, as_json: bool) -> None:
    """Size battery, wires, fuses, air, ventilation and sensor parts of a planned box.

    \b
    Example:
      groundbox size host/groundbox/examples/bog_mast_box.toml
    """
    box = load_box(box_toml)
    results = size_box(box)
    if as_json:
        tree = {"box": box.name, "results": [asdict(result) for result in results], "cautions": cautions_of(results)}
        click.echo(msgspec.json.format(msgspec.json.encode(tree), indent=2))
        return
    click.echo(f"box {box.name}, planned\n")
    for result in results:
        click.echo("\n".join(result_lines(result)) + "\n")
    click.echo("Cautions")
    for caution in cautions_of(results):
        click.echo(f"  * {caution}")
