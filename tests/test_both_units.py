"""US values behind metric ones in sentences: values by hand from the definitions of the units (exact by law)."""

import pytest

from trafficplan.names import Note
from trafficplan.report.both_units import in_both, lines_in, notes_in


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("12 m wide", "12 m (39.4 ft) wide"),  # 12 / 0.3048
        ("0.25 m", "0.25 m (9.84 in)"),  # 0.25 / 0.0254
        ("30 m3/ha", "30 m3/ha (3,210 gal/acre)"),  # 3207.2: 30 / 0.003785411784 x 0.40468564224
        ("20 t/ha", "20 t/ha (8.92 tons/acre)"),  # 20000 / 907.18474 x 0.40468564224
        ("14 t", "14 t (30,900 lb)"),  # 14000 / 0.45359237 = 30864.7
        ("1.8 bar", "1.8 bar (26.1 psi)"),  # 1.8 x 14.503774
        ("50 kPa", "50 kPa (7.25 psi)"),
        ("35 km/h and 7.5 km", "35 km/h (21.7 mph) and 7.5 km (4.66 miles)"),
        ("100 ha", "100 ha (247 acres)"),
        ("0.1 to 10 m", "0.1 to 10 m (0.328 to 32.8 ft)"),
        ("60x60 cm, 25 x 25 cm", "60x60 cm, 25 x 25 cm (9.84 x 9.84 in)"),
        ("6, 9 and 12 m", "6, 9 and 12 m (19.7, 29.5 and 39.4 ft)"),
        ("6,000 kg", "6,000 kg (13,200 lb)"),
        ("two thirds (9.3 t)", "two thirds (9.3 t, 20,500 lb)"),
    ],
)
def test_a_quantity_is_told_in_both(text, told):
    assert in_both(text) == told


@pytest.mark.parametrize(
    "text",
    [
        "1.8 bar (26 psi)",
        "0 m",
        "row 3 of mill-2m.csv",
        "2 passes, 0.5, 12 of 26 fields",
        "season 2026",
        "450 lb and 8 in",
        "6 t km/ha",
        "0.27 l/kWh",
        "12 machines in 3 months",
        "crs EPSG:25832",
        "2026-04-03",
    ],
)
def test_what_is_no_metric_quantity_or_says_it_already_stays(text):
    assert in_both(text) == text


def test_notes_and_lines_change_for_us_units_alone():
    note = Note("assumed", "field North: headland 2 m", "24 m", "twice 12 m", "of 1 m")
    assert notes_in([note], "metric") == [note] and lines_in(["24 m"], "metric") == ["24 m"]
    (told,) = notes_in([note], "us")
    assert (told.what, told.value, told.why) == (note.what, "24 m (78.7 ft)", "twice 12 m (39.4 ft)")
    assert told.source == note.source and lines_in(["24 m"], "us") == ["24 m (78.7 ft)"]
