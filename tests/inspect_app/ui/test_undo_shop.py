"""What was done on the shop's page is said at its head and taken back there by Ctrl+Z."""

import pytest

from inspect_app.decide.estimate import PriceBook
from inspect_app.instrument.wire import WireStock
from inspect_app.services import get_setting, measure_print, new_sheet, prints
from inspect_app.services.bench_checks import bench_checks, keep_bench_check
from inspect_app.services.deciding import add_wire, shop_limits, shop_prices, wires
from inspect_app.services.gauges import add_gauge, gauges
from inspect_app.services.setups import setup_targets
from tests.inspect_app.services.test_bench_checks import LEAF
from tests.inspect_app.ui.conftest import open_page, send

pytestmark = [pytest.mark.usefixtures("served"), pytest.mark.slow]
NAME = "Name on the papers"


def pressed(at, key):
    at.button(key=key).click().run()
    assert not at.exception, at.exception


def undo(at):
    pressed(at, "undo-corner")
    assert not at.error


def field(at, label):
    return next(f for f in (*at.text_input, *at.number_input) if f.label.startswith(label))


def in_use(store):
    return [g.name for g in gauges(store) if g.in_use and not g.retired]


def test_name_limits_prices_and_aims_are_as_they_were(store):
    limits, prices, aims = shop_limits(store), shop_prices(store), setup_targets(store)
    at = open_page("shop.py")
    assert "undo-corner" not in [b.key for b in at.button]
    for label, value, keep, now in (
        (NAME, "Quay Frets", "Keep this name and address", lambda: (get_setting(store, "shop") or {}).get("name", "")),
        ("Tax, %", 8.0, "Keep these prices", lambda: shop_prices(store).rates["tax_percent"]),
    ):
        was, shown = now(), field(at, label).value
        field(at, label).set_value(value)
        send(at, keep)
        assert now() not in (was, "")
        assert at.success
        undo(at)
        assert now() == was
        assert field(at, label).value == shown
    at.number_input(key="limits-0-crown_height-mm").set_value(0.91)
    send(at, "Keep these limits")
    assert shop_limits(store)["crown_height"].value == 0.91
    undo(at)
    aim = next(n for n in at.number_input if n.key and n.key.startswith("aim-"))
    aim.set_value(aim.value + 0.05)
    send(at, "Keep these")
    assert setup_targets(store) != aims
    undo(at)
    assert [e.value for e in shop_limits(store).entries] == [e.value for e in limits.entries]
    assert PriceBook.from_dict(shop_prices(store).to_dict()) == prices
    assert setup_targets(store) == aims
    assert next(n for n in at.number_input if n.key and n.key.startswith("aim-")).value == aim.value - 0.05


def test_wire_put_on_the_list_and_taken_off_it(store):
    known = add_wire(store, WireStock("medium", "nickel silver", 2.4, 1.1, None, None, 150)).id
    at = open_page("shop.py")
    pressed(at, f"wire-{known}")
    assert not wires(store)
    field(at, "Label").set_value("tall")
    send(at, "Put it on the list")
    assert [w.stock.label for w in wires(store)] == ["tall"]
    undo(at)
    undo(at)
    assert [w.id for w in wires(store)] == [known]


def test_a_print_and_its_bar_are_as_they_were(store):
    numbers = new_sheet(store)
    measure_print(store, numbers["strip"], 99.9, note="first")
    measure_print(store, numbers["backdrop"], 99.8, note="other")
    measure_print(store, numbers["tongue"], 99.7, note="third")
    before = prints(store)
    at = open_page("shop.py")
    field(at, "Its check bar").set_value("99.5")
    send(at, "Keep this print")  # a sheet without a number
    assert len([p for p in prints(store) if p.verified and not p.retired]) == 6
    undo(at)
    assert [p for p in prints(store) if not p.retired] == list(before)
    at.selectbox(key="lost-print").select(next(p for p in before if p.kind == "strip")).run()
    send(at, "Use this print no more")
    assert len([p for p in prints(store) if not p.retired]) == 2
    undo(at)
    assert [p for p in prints(store) if not p.retired] == list(before)


def test_a_bar_read_on_a_numbered_sheet_is_unread_again(store):
    numbers = new_sheet(store, "hung by the window")
    before = prints(store)
    at = open_page("shop.py")
    field(at, "Its check bar").set_value("99.5")
    send(at, "Keep this print")
    assert {p.id for p in prints(store) if p.verified} == set(numbers.values())
    undo(at)
    assert prints(store) == before
    field(at, "Its check bar").set_value("99.7")
    send(at, "Keep this print")
    assert {p.bar_measured for p in prints(store)} == {99.7}


def test_gauges_are_read_with_as_before(store):
    one, other = (add_gauge(store, n, "calliper", 0.01, 0.012) for n in ("no. 1", "no. 2"))
    at = open_page("shop.py")
    pressed(at, f"use-gauge-{one.id}")
    pressed(at, f"use-gauge-{other.id}")
    pressed(at, f"retire-gauge-{other.id}")
    assert in_use(store) == []
    for left in (["no. 2"], ["no. 1"], []):
        undo(at)
        assert in_use(store) == left
    field(at, "Gauge").set_value("no. 3")
    field(at, "It resolves").set_value("0.01")
    field(at, "Its standard uncertainty").set_value("0.012")
    send(at, "Enter this gauge")
    assert [g.name for g in gauges(store) if not g.retired] == ["no. 1", "no. 2", "no. 3"]
    undo(at)
    assert [g.name for g in gauges(store) if not g.retired] == ["no. 1", "no. 2"]


def test_a_result_taken_back_stands_again(store):
    kept = keep_bench_check(store, "plan", LEAF)
    at = open_page("shop.py")
    pressed(at, f"retire-thing-{kept.id}")
    assert [c.retired for c in bench_checks(store)] == [True]
    undo(at)
    assert [c.retired for c in bench_checks(store)] == [False]
