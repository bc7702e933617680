#!/usr/bin/env python3
"""PDF files read by pypdf, which shares nothing with the program that wrote them.

    sheets.py SEATHOLD FOLDER RECORDING...            each recording, all together, and all out of a register, on A4
                                                      and Letter
    sheets.py --accept SEATHOLD FOLDER RECORDING...   the same, and the golden text is written anew

What the HTML page of the same recordings says must be said in the same order; every sheet must have the size asked for
and its number; fonts must be inside and nothing outside; and the tree for screen readers must be whole. The text of one
report is compared with tests/golden/pages/valve-leaking.txt.
"""

import re
import subprocess
import sys
from pathlib import Path

import html5lib
from pypdf import PdfReader

HTML = "{http://www.w3.org/1999/xhtml}"
BLOCKS = {HTML + name for name in "h1 h2 h3 p li dt dd caption th td figcaption".split()}
# Points, from ISO 216 and ANSI/ASME Y14.1.
SIZES = {"a4": (210 / 25.4 * 72, 297 / 25.4 * 72), "letter": (8.5 * 72, 11 * 72)}
GOLDEN = Path(__file__).parents[1] / "golden" / "pages" / "valve-leaking.txt"


def bare(text):
    return re.sub(r"\s+", "", text)


def said(page):
    """What a page says, block by block, without pictures."""
    tree = html5lib.parse(page.read_text(encoding="utf-8"))
    main = tree.find(f".//{HTML}main")
    return [bare("".join(e.itertext())) for e in main.iter() if e.tag in BLOCKS]


def structure(node, found):
    """Counts parts by kind and checks what each must have; returns the number of marked stretches of content."""
    node = node.get_object()
    kind = str(node.get("/S", ""))
    found.setdefault(kind, []).append(node)
    kids = node.get("/K", [])
    kids = kids if isinstance(kids, list) else [kids]
    content = 0
    for kid in kids:
        kid = kid if isinstance(kid, int) else kid.get_object()
        content += 1 if isinstance(kid, int) or "/S" not in kid else structure(kid, found)
    assert content, f"a part {kind} of nothing"
    return content


def check(path, size, page, part=2):
    reader = PdfReader(path, strict=True)
    root = reader.trailer["/Root"]
    assert root["/Lang"] == "en" and root["/MarkInfo"]["/Marked"], path
    blocks = said(page)
    assert bare(reader.metadata.title) == blocks[0], path
    xmp = root["/Metadata"].get_object().get_data().decode()
    for claim in (f"<pdfaid:part>{part}<", "<pdfaid:conformance>A<", "<pdfuaid:part>1<"):
        assert claim in xmp, f"{path}: {claim}"

    text, plain = "", []
    for number, sheet in enumerate(reader.pages, 1):
        assert max(abs(a - b) for a, b in zip(sheet.mediabox[2:], SIZES[size])) < 0.1, f"{path}: {sheet.mediabox}"
        words = sheet.extract_text()
        plain.append(words)
        foot = f"page {number} of {len(reader.pages)}"
        assert words.rstrip().endswith(foot), f"{path}: no \"{foot}\" at the foot of sheet {number}"
        # The foot is the last that is drawn: what runs over to the next sheet goes on there.
        text += bare(words[: words.rstrip().rindex("\n", 0, words.rindex(foot))])
        assert "/Annots" not in sheet and "/AA" not in sheet, path
        for font in sheet["/Resources"]["/Font"].values():
            below = font.get_object()["/DescendantFonts"][0].get_object()
            assert "/FontFile2" in below["/FontDescriptor"].get_object(), f"{path}: a font is not inside"
    assert "/OpenAction" not in root, path
    # Only the third part allows files in one.
    names = set(root["/Names"]) if part == 3 else set(root.get("/Names", {}))
    assert names <= ({"/EmbeddedFiles"} if part == 3 else set()), names
    assert len(reader.outline) >= (1 if part == 3 else 2), path

    at = 0
    for block in blocks:
        found = text.find(block, at)
        assert found >= 0, f"{path}: \"{block}\" is not said after \"{text[max(0, at - 60):at]}\""
        at = found + len(block)

    found = {}
    for part in root["/StructTreeRoot"]["/K"]:
        structure(part, found)
    assert len(found["/H1"]) == 1 and "/P" in found, path
    for figure in found.get("/Figure", []):
        assert len(figure["/Alt"]) > 20, path
    for head in found["/TH"]:
        attributes = head["/A"] if isinstance(head["/A"], list) else [head["/A"]]
        assert any(a.get_object().get("/Scope") in ("/Row", "/Column") for a in attributes), path
    for row in found["/TR"]:
        assert row["/K"], path
    print(f"{path.name}: {len(reader.pages)} sheets, {len(blocks)} blocks as on the page, {len(found['/TR'])} rows")
    return "\f\n".join(plain) + "\n"


def main():
    accept = sys.argv[1] == "--accept"
    seathold, folder, recordings = sys.argv[1 + accept], Path(sys.argv[2 + accept]), sys.argv[3 + accept :]
    golden = None
    register = ["--register", folder / "sheets.sqlite"]
    subprocess.run([seathold, "register", "import", *recordings, *register], check=True, stdout=subprocess.DEVNULL)
    reports = [(Path(path).stem, [path]) for path in recordings]
    for name, files in reports + [("batch", recordings), ("registered", register)]:
        page = folder / f"{name}.html"
        subprocess.run([seathold, "report", *files, "-o", page], check=True, stdout=subprocess.DEVNULL)
        for size in SIZES:
            path = folder / f"{name}-{size}.pdf"
            command = [seathold, "report", *files, "-o", path, "--page-size", size]
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
            text = check(path, size, page)
            if (name, size) == ("scratched-seat-a", "a4"):
                golden = text
    assert golden, "scratched-seat-a.hold is not among the recordings"
    if accept:
        GOLDEN.write_text(golden, encoding="utf-8")
    assert golden == GOLDEN.read_text(encoding="utf-8"), f"not as in {GOLDEN}; --accept takes it"


if __name__ == "__main__":
    main()
