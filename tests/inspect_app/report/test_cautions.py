"""Cautions by operation and material: each with its source, imitations left out, the right law for the right wood."""

import pytest

from inspect_app.decide.options import Kind
from inspect_app.report.cautions import bench_cautions, materials_in, trade_notes
from shared.tables import load_table

TABLE = load_table("cautions")


def labels(*texts):
    return [m["label"] for m in materials_in(texts)]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("Indian rosewood", ["Rosewood"]),
        ("Palisander board", ["Rosewood"]),
        ("African blackwood", ["African blackwood"]),
        ("pau ferro", ["Pau ferro"]),
        ("Bolivian rosewood", ["Pau ferro"]),
        ("wenge neck", ["Wenge"]),
        ("mother-of-pearl dots", ["Mother-of-pearl"]),
        ("paua inlays", ["Mother-of-pearl"]),
        ("pernambuco bow", ["Pernambuco"]),
        ("tortoise binding", ["Tortoiseshell"]),
        ("tortoise shell plate", ["Tortoiseshell"]),
        ("lacquered maple", ["Lacquer"]),
        ("Brazilian rosewood", ["Brazilian rosewood"]),
        ("Dalbergia nigra", ["Brazilian rosewood"]),
        ("ivory nut", ["Ivory"]),
        ("maple", []),
        ("Tasmanian blackwood", []),
        ("ebonised pear", []),
        ("shell pink finish", []),
    ],
)
def test_a_material_is_known_by_the_names_people_write(text, found):
    assert labels(text) == found


@pytest.mark.parametrize(
    "text",
    ["ivory-coloured binding", "ivory colored binding", "faux ivory", "imitation ivory nut", "ivory plastic", "ivoroid",
     "tortoise pattern plate", "tortoise-style guard", "plastic tortoise", "rosewood look laminate"],
)  # fmt: skip
def test_what_only_looks_like_it_brings_no_law(text):
    assert labels(text) == []
    assert trade_notes([text]) == []


def test_brazilian_rosewood_stands_apart_and_beside_others():
    assert labels("Brazilian rosewood back, Indian rosewood board") == ["Brazilian rosewood", "Rosewood"]
    notes = " ".join(trade_notes(["Brazilian rosewood"]))
    assert "Appendix I:" in notes  # Dalbergia nigra, CITES Appendix I since 1992 (CoP8)
    assert "Appendix II" not in notes
    assert "law come first" in notes


def test_every_line_names_its_source():
    lines = [x for g in TABLE["operations"] for x in g["lines"]]
    assert lines
    assert all(x["text"] and x["source"] for x in lines)
    for m in TABLE["materials"]:
        said = [k for k in ("bench", "trade") if k in m]
        assert said, m["label"]
        assert all(m[f"{k}_source"] for k in said), m["label"]


def test_operations_name_options_there_are():
    coming = {"recrown and polish"}  # has words already where the options page does not offer it yet
    known = {str(k) for k in Kind} | coming
    assert all(set(g["when"]) <= known for g in TABLE["operations"])


def test_bench_cautions_stand_in_two_columns_of_about_one_length():
    found = bench_cautions("full refret", ["Indian rosewood, mother-of-pearl dots"])
    lengths = [sum(len(line["text"]) for g in c for line in g["lines"]) for c in found["columns"]]
    assert max(lengths) < 1.6 * min(lengths)
    shown = {g["operation"] for c in found["columns"] for g in c}
    assert {"Rosewood", "Mother-of-pearl", "Cutting and fitting new wire", "Masking and old finish"} <= shown
    numbers = {int(line["source"]) for c in found["columns"] for g in c for line in g["lines"]}
    assert numbers == set(range(1, len(found["sources"]) + 1))
    assert "common practice, no source" in found["sources"]
