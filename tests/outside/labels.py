#!/usr/bin/env python3
"""Labels and the page of the tray, read by pypdf; their codes read back from the printed page by ZXing.

    labels.py SEATHOLD FOLDER             labels of valves, of their ends, of fittings and classes, in several sizes
    labels.py --accept SEATHOLD FOLDER    the same, and the golden text is written anew

Every page must have the size asked for, its fonts inside, and the tree for screen readers whole; a code drawn at 203 and at
300 dots to the inch, as label printers have, must be found once, and hold what its alternative text says, with what the label
names first. The text of some labels is compared with tests/golden/pages/labels.txt.
"""

import os
import subprocess
import sys
from pathlib import Path

import pypdfium2
import zxingcpp
from pypdf import PdfReader
from sheets import check, structure

GOLDEN = Path(__file__).parents[1] / "golden" / "pages" / "labels.txt"
FITTINGS = Path(__file__).parents[1] / "recordings" / "fittings-hatchery.csv"
DOTS = (203, 300)
HOLDS = "that holds the text: "
LENGTHS = ["--body-length", "60.4 mm", "--body-u", "0.02 mm", "--nominal", "120 mm", "--tolerance", "0.2 mm"]
KNOWN = ["--compression", "0.4 mm", "--compression-u", "0.03 mm", "--gauge-u", "0.01 mm", "--operator", "Ada"]


class Program:
    """The program in its folder, with nobody's settings and in no zone."""

    def __init__(self, path, folder):
        self.path, self.folder = str(Path(path).absolute()), folder
        self.environment = {**os.environ, "SEATHOLD_CONFIG": "", "TZ": "UTC"}

    def say(self, *typed):
        command = [self.path, *map(str, typed)]
        done = subprocess.run(command, cwd=self.folder, env=self.environment, capture_output=True, text=True)
        assert done.returncode in (0, 1), f"{typed}: {done.stderr}"
        return done.stdout


def batch(program):
    """Twenty-four valves: tight, leaking, reworked, half tested, set aside, and the rest not tested."""
    program.say("batch", "open", "spring", "--serials", "HM-001..HM-024", "--actuation", "air", "--dn", "25")
    begun = ["--operator", "Ada", "--started-at", "2026-03-02T09:30:00Z"]
    for serial, more in [
        ("HM-001", []),
        ("HM-002", ["--valve", "scratched-seat-a"]),
        ("HM-003", ["--valve", "scratched-seat-a"]),
        ("HM-004", ["--sides", "first"]),
    ]:
        program.say("run", "-q", "--serial", serial, "--out", f"{serial}.hold", *begun, *more)
    program.say("batch", "rework", "HM-003", "--note", "new seat", "--operator", "Ada")
    program.say("batch", "set-aside", "HM-005", "--note", "cracked", "--operator", "Ada")
    program.say("pair", FITTINGS, "--keep", *LENGTHS, *KNOWN)


def figures(reader):
    """What the figures of a file say they hold, in order."""
    found = {}
    for part in reader.trailer["/Root"]["/StructTreeRoot"]["/K"]:
        structure(part, found)
    return [str(figure["/Alt"]).split(HOLDS, 1)[1] for figure in found.get("/Figure", [])], found


def labels(path, size, codes):
    """Checks a file of labels; returns the text of each."""
    reader = PdfReader(path, strict=True)
    root = reader.trailer["/Root"]
    assert root["/Lang"] == "en" and root["/MarkInfo"]["/Marked"], path
    xmp = root["/Metadata"].get_object().get_data().decode()
    for claim in ("<pdfaid:part>2<", "<pdfaid:conformance>A<", "<pdfuaid:part>1<"):
        assert claim in xmp, f"{path}: {claim}"
    held, found = figures(reader)
    assert len(found["/H1"]) == len(reader.pages) == len(reader.outline), path
    assert len(held) == (len(reader.pages) if codes else 0), path
    texts = []
    drawn = pypdfium2.PdfDocument(path)
    for number, page in enumerate(reader.pages):
        wanted = [side / 25.4 * 72 for side in size]
        assert max(abs(a - b) for a, b in zip(page.mediabox[2:], wanted)) < 0.01, f"{path}: {page.mediabox}"
        text = page.extract_text()
        texts.append(text)
        for font in page["/Resources"]["/Font"].values():
            below = font.get_object()["/DescendantFonts"][0].get_object()
            assert "/FontFile2" in below["/FontDescriptor"].get_object(), f"{path}: a font is not inside"
        if not codes:
            continue
        assert held[number].startswith(text.splitlines()[0]), f"{path}: {held[number]} beside {text}"
        for dots in DOTS:
            picture = drawn[number].render(scale=dots / 72, grayscale=True).to_numpy()
            read = zxingcpp.read_barcodes(picture)
            assert [code.text for code in read] == [held[number]], f"{path}, page {number + 1} at {dots}: {read}"
    print(f"{path.name}: {len(texts)} labels of {size[0]}x{size[1]} mm, {os.path.getsize(path)} bytes")
    return texts


def main():
    accept = sys.argv[1] == "--accept"
    folder = Path(sys.argv[2 + accept]).absolute() / "labels"
    folder.mkdir()
    program = Program(sys.argv[1 + accept], folder)
    batch(program)
    golden = []
    for size in ((62, 29), (50, 25), (70, 30), (100, 50), (25, 62), (210, 210)):
        option = ["--size", f"{size[0]}x{size[1]}mm"]
        for name, typed, codes in (
            ("valves", ["valve"], True),
            ("tags", ["valve", "--tag"], True),
            ("ends", ["valve", "--tag", "--ends"], True),
            ("fittings", ["fittings"], True),
            ("classes", ["classes"], False),
        ):
            path = folder / f"{name}-{size[0]}x{size[1]}.pdf"
            program.say("label", *typed, "--out", path, *option)
            texts = labels(path, size, codes)
            if size == (62, 29):
                golden += [f"{name}\n", *(text + "\n\n" for text in texts[:6])]
    for name, typed in (
        ("tray", ["pair", FITTINGS, "--bodies", "24", *LENGTHS, *KNOWN[:-2], "--page"]),
        ("kept", ["assembly", "tray", "--out"]),
    ):
        page, sheet = folder / f"{name}.html", folder / f"{name}-a4.pdf"
        # The time that stands on both is to be one.
        for attempt in range(3):
            program.say(*typed, page)
            program.say(*typed, sheet)
            try:
                check(sheet, "a4", page)
                break
            except AssertionError:
                if attempt == 2:
                    raise
        assert len(PdfReader(sheet).pages) == 2, "forty-eight fittings take more than two sheets"
    text = "".join(golden)
    if accept:
        GOLDEN.write_text(text, encoding="utf-8")
    assert text == GOLDEN.read_text(encoding="utf-8"), f"not as in {GOLDEN}; --accept takes it"


if __name__ == "__main__":
    main()
