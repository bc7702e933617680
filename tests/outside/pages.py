#!/usr/bin/env python3
"""Pages read by an HTML parser that knows the standard's errors.

    pages.py [--checkers FOLDER] PAGE...

Each must be free of parse errors, fetch nothing, run nothing, and say in words what its tables and pictures are. FOLDER
is where package.json has been installed: html-validate there must be content, and, where there is a Java, the Nu HTML
checker too.
"""

import shutil
import subprocess
import sys
from pathlib import Path

import html5lib

HTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"
# How pixels that stand in a page begin.
INLINE = ("data:image/png;base64,", "data:image/jpeg;base64,")


def check(path):
    parser = html5lib.HTMLParser(strict=True)
    page = parser.parse(Path(path).read_text(encoding="utf-8"))
    every = list(page.iter())
    names = [e.tag for e in every if isinstance(e.tag, str)]

    def all_of(tag):
        return [e for e in every if e.tag == tag]

    for tag in ("script", "link", "iframe", "object", "embed", "base", "form"):
        assert HTML + tag not in names and SVG + tag not in names, f"{path}: has a {tag}"
    for e in every:
        for name, value in e.attrib.items():
            assert not str(name).startswith("on"), f"{path}: {e.tag} has {name}"
            # Pixels that stand in the page itself, with words for whoever cannot see them; nothing is fetched.
            own = name == "src" and e.tag == HTML + "img" and str(value).startswith(INLINE) and e.attrib.get("alt", "").strip()
            assert own or name not in ("src", "href", "srcset", "action"), f"{path}: {e.tag} has {name}"
            assert "url(" not in str(value), f"{path}: {e.tag} fetches {value}"
    style = "".join(e.text or "" for e in all_of(HTML + "style"))
    assert "url(" not in style and "@import" not in style, f"{path}: the style fetches"

    ids = [e.attrib["id"] for e in every if "id" in e.attrib]
    assert len(ids) == len(set(ids)), f"{path}: an id is used twice"
    assert page.find(f".//{HTML}html") is not None or page.attrib.get("lang") == "en", f"{path}: no language"
    assert len(all_of(HTML + "h1")) == 1, f"{path}: not one h1"
    level = 1
    for e in every:
        if e.tag in (HTML + "h1", HTML + "h2", HTML + "h3"):
            now = int(e.tag[-1])
            assert now <= level + 1, f"{path}: h{now} after h{level}"
            level = now
    tables, pictures = all_of(HTML + "table"), all_of(SVG + "svg")
    assert tables, f"{path}: no table"
    for table in tables:
        caption = table.find(HTML + "caption")
        assert caption is not None and caption.text, f"{path}: a table without a caption"
        for head in table.iter(HTML + "th"):
            assert head.attrib.get("scope") in ("row", "col"), f"{path}: a heading without scope"
    for svg in pictures:
        assert svg.attrib.get("role") == "img", f"{path}: a picture without role"
        for name in svg.attrib["aria-labelledby"].split():
            target = next(e for e in svg.iter() if e.attrib.get("id") == name)
            assert target.text, f"{path}: {name} says nothing"
    print(f"{path}: {len(tables)} tables, {len(pictures)} pictures")


def other_checkers(folder, pages):
    """Programs whose own rules know more of HTML, CSS and accessibility than a parser does."""
    config = Path(__file__).with_name("html-validate.json")
    checker = folder / "node_modules" / ".bin" / "html-validate"
    subprocess.run([checker, "--config", config, *pages], check=True)
    print("html-validate has nothing to say")
    if not shutil.which("java"):
        print("no java: the Nu HTML checker was left out")
        return
    jar = next((folder / "node_modules" / "vnu-jar").rglob("vnu.jar"))
    subprocess.run(["java", "-jar", jar, "--also-check-css", *pages], check=True)
    print("the Nu HTML checker has nothing to say")


def main():
    pages = sys.argv[1:]
    folder = None
    if pages[:1] == ["--checkers"]:
        folder, pages = Path(pages[1]).absolute(), pages[2:]
    for path in pages:
        check(path)
    if folder:
        other_checkers(folder, pages)


if __name__ == "__main__":
    main()
