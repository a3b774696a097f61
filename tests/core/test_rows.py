"""Every figure that comes in is kept for the record, with its unit in its name and only one type per field."""

from inprocess import InProcess, acts


def test_every_kind_of_figure_reaches_the_history_with_one_type_per_field():
    site = InProcess(crew=acts((180, "seal", "n1")))
    site.run_to(1500)
    kinds: dict[tuple[str, str], set[type]] = {}
    for row in site.rows:
        for name, value in row.fields:
            kinds.setdefault((row.measurement, name), set()).add(type(value))
    assert {measurement for measurement, _ in kinds} == {
        "sample", "room_air", "room_climate", "pulp", "bag", "source", "dose", "gas_day", "transition", "calibration",
    }  # fmt: skip
    assert all(len(types) == 1 for types in kinds.values()), kinds
    doses = [row for row in site.rows if row.measurement == "dose"]
    delivered_nl = sum(dict(row.fields)["delivered_nl"] for row in doses)
    assert 0.0 < delivered_nl <= site.requested_nl[("n1", "nitrogen")] + 1e-6
    assert {row.tags for row in doses} == {(("enclosure", "n1"), ("gas", "nitrogen"))}
