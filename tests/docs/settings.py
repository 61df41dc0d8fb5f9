"""The settings table of README.md, made from the models of the plant file.

`python -m tests.docs.settings` prints it; `--write` puts it into README.md.
"""

import sys
from pathlib import Path

from daemon.plantfile import keys

README = Path(__file__).parents[2] / "README.md"
BEGIN = "<!-- settings: made by `python -m tests.docs.settings --write` -->"
END = "<!-- end of settings -->"


def table() -> str:
    """Markdown: one section for each table of the plant file, one row for each key."""
    lines: list[str] = []
    for name, meaning in keys.meanings().items():
        lines += [
            f"**`{name}`** {meaning}",
            "",
            "| key | meaning | default or example |",
            "| --- | --- | --- |",
        ]
        for key in keys.known_keys():
            if key.table == name:
                bold = "**" if key.required else ""
                takes = f" ({key.takes})" if key.takes and key.takes not in key.meaning else ""
                value = (
                    f"`{key.default}`"
                    if key.default
                    else f"for example `{key.example}`"
                    if key.example
                    else ""
                )
                lines.append(f"| {bold}`{key.name}`{bold} | {key.meaning}{takes} | {value} |")
        lines.append("")
    return "\n".join(lines).strip()


def between(text: str) -> str:
    """What stands in README between the two marks."""
    return text.partition(BEGIN)[2].partition(END)[0].strip()


def main() -> None:
    """Print the table, or write it."""
    if "--write" in sys.argv:
        text = README.read_text(encoding="utf-8")
        head, _, rest = text.partition(BEGIN)
        tail = rest.partition(END)[2]
        README.write_text(f"{head}{BEGIN}\n\n{table()}\n\n{END}{tail}", encoding="utf-8")
    else:
        print(table())


if __name__ == "__main__":
    main()
