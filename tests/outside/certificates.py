#!/usr/bin/env python3
"""Certificates read by pypdf, their codes read back from the printed page by ZXing.

    certificates.py SEATHOLD FOLDER

The PDF must say what the page for screens says, claim PDF/A-3a and PDF/UA-1, and have its data attached as a file of kind
"Data" whose SHA-256 is the one that the register lists, and whose signature holds by another implementation of Ed25519; the code
must hold serial, number and the beginning of that hash. With the shop's mark the PDF has that too, by the hash that the data say, and drawn beside its name.
"""

import hashlib
import json
import sys
from pathlib import Path

import pypdfium2
import zxingcpp
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import load_pem_public_key
from labels import Program, batch
from pypdf import PdfReader
from sheets import check


MARK = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 50.85 30">
<circle cx="15" cy="15" r="14" fill="#048"/><path d="M32 2h18v26h-18z"/></svg>"""


def attached(path, number):
    """The data in a certificate's file."""
    reader = PdfReader(path, strict=True)
    root = reader.trailer["/Root"]
    of_document = [part.get_object() for part in root["/AF"]]
    assert [part["/AFRelationship"] for part in of_document] == ["/Data"] * 3, of_document
    (data,) = reader.attachments[f"{number}.json"]
    return reader, data


def main():
    folder = Path(sys.argv[2]).absolute() / "certificates"
    folder.mkdir()
    program = Program(sys.argv[1], folder)
    batch(program)
    program.say("batch", "order", "--customer", "Shellfish hatchery", "--order", "4711", "--operator", "Ada")
    template = program.say("certificate", "template").replace('# mark = "mark.svg"', 'mark = "mark.svg"')
    (folder / "shop.toml").write_text(template, encoding="utf-8")
    (folder / "mark.svg").write_text(MARK, encoding="utf-8")
    program.say("certificate", "key", "shop.key")
    key = load_pem_public_key((folder / "shop.key.pub").read_bytes())
    assert isinstance(key, Ed25519PublicKey)
    public = key.public_bytes_raw().hex()
    shop = ["--shop", "shop.toml", "--sign", "shop.key"]
    ada = ["--operator", "Ada", "--released-by", "Ada Brook", *shop]
    for name, typed in (
        ("valve", ["HM-001"]),
        ("table", ["HM-001", "HM-002", "HM-004", "--table", "--any-result"]),
    ):
        for size in ("a4", "letter"):
            sheet, page = folder / f"{name}-{size}.pdf", folder / f"{name}-{size}.html"
            program.say("certificate", "issue", *typed, *ada, "--page-size", size, "--out", sheet)
            known = json.loads(program.say("certificate", "list", "--json").splitlines()[-1])
            number = known["certificate"]
            program.say("certificate", "again", number, *shop, "--out", page)
            check(sheet, size, page, part=3)
            reader, data = attached(sheet, number)
            assert len(reader.pages) == 1, f"{sheet}: {len(reader.pages)} pages"
            assert hashlib.sha256(data).hexdigest() == known["sha256"], f"{sheet}: not what the register lists"
            (signature,) = reader.attachments[f"{number}.json.sig"]
            key.verify(bytes.fromhex(signature.decode().split()[-1]), data)
            stated = json.loads(data)
            assert stated["key"] == public
            (mark,) = reader.attachments["mark.png"]
            assert hashlib.sha256(mark).hexdigest() == stated["mark_sha256"], f"{sheet}: another mark"
            (image,) = (part.get_object() for part in reader.pages[0]["/Resources"]["/XObject"].values())
            assert (image["/Subtype"], image["/Width"], image["/Height"]) == ("/Image", 600, 354), image
            assert "/SMask" not in image and "/Interpolate" not in image, image
            assert [valve["serial"] for valve in stated["valves"]] == known["serials"]
            drawn = pypdfium2.PdfDocument(sheet)[0].render(scale=300 / 72, grayscale=True).to_numpy()
            (code,) = zxingcpp.read_barcodes(drawn)
            parts = code.text.split("  ")
            assert parts[-2:] == [number, known["sha256"][:16]], parts
            if name == "valve":
                assert parts[:2] == ["HM-001", "TIGHT SIMULATED"], parts
            assert sheet.stat().st_size < 150_000, f"{sheet}: {sheet.stat().st_size} bytes"
            print(f"{sheet.name}: {number}, {sheet.stat().st_size} bytes, data of {len(data)}")


if __name__ == "__main__":
    main()
