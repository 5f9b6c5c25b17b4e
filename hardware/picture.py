"""A case from the side, with air and sensors, as SVG."""

_CASE = (  # kind, x, y, width, height or second point, label
    ("box", 120, 90, 620, 320, ""),
    ("box", 90, 60, 680, 10, "white sheet, 10 cm above the lid"),
    ("box", 150, 290, 200, 110, "battery"),
    ("box", 470, 320, 110, 80, "display,\nreceivers"),
    ("box", 590, 250, 110, 55, "board"),
    ("box", 108, 320, 24, 70, ""),
    ("box", 728, 110, 24, 70, ""),
    ("line", 60, 310, 108, 310, ""),
    ("line", 60, 310, 60, 360, ""),
    ("line", 752, 100, 800, 100, ""),
    ("line", 800, 100, 800, 150, ""),
    ("arrow", 84, 400, 84, 330, ""),
    ("arrow", 370, 345, 440, 300, ""),
    ("arrow", 560, 230, 700, 165, ""),
    ("arrow", 776, 130, 776, 200, ""),
    ("dot", 84, 352, 0, 0, ""),
    ("dot", 320, 345, 0, 0, ""),
    ("line", 320, 345, 320, 262, ""),
    ("dot", 660, 185, 0, 0, ""),
    ("line", 660, 185, 560, 145, ""),
    ("text", 130, 435, 0, 0, "air in: hood, filter, fan;\nintake sensor in the duct"),
    ("text", 800, 225, 0, 0, "air out:\nfan, hood"),
    ("text", 310, 245, 0, 0, "battery sensor: half way up its side, under foam"),
    ("text", 500, 130, 0, 0, "case sensor: free air before the outlet fan"),
    ("text", 590, 435, 0, 0, "antenna leads leave here,\nfan leads on the other wall"),
)


def _shape(kind: str, x: int, y: int, w: int, h: int, label: str) -> str:
    """One SVG element of the case picture; its label is inside or beside it, one line under the other."""
    line = 'fill="none" stroke="#1a1a1a" stroke-width="2"'
    shapes = {
        "box": f'<rect x="{x}" y="{y}" width="{w}" height="{h}" rx="4" {line}/>',
        "line": f'<path d="M{x} {y}L{w} {h}" {line}/>',
        "arrow": f'<path d="M{x} {y}L{w} {h}" {line} marker-end="url(#tip)"/>',
        "dot": f'<circle cx="{x}" cy="{y}" r="6" fill="#1a1a1a"/>',
        "text": "",
    }
    at_x, at_y = (x + w / 2, y + h / 2 - 4) if kind == "box" else (x, y)
    if kind == "box" and h < 20:
        at_y = y - 14
    words = "".join(
        f'<text x="{at_x:g}" y="{at_y + 5 + 18 * i:g}" text-anchor="middle">{part}</text>'
        for i, part in enumerate(label.split("\n"))
        if part
    )
    return shapes[kind] + words


def case() -> str:
    """SVG of the places of the parts in a case."""
    size = 'markerWidth="9" markerHeight="9" refX="7" refY="4" orient="auto"'
    tip = f'<marker id="tip" {size}><path d="M0 0L8 4L0 8z"/></marker>'
    head = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 880 480" font-family="sans-serif" font-size="15">'
    shapes = "\n".join(_shape(*row) for row in _CASE)
    return f'{head}\n<rect width="880" height="480" fill="white"/>\n<defs>{tip}</defs>\n{shapes}\n</svg>\n'
