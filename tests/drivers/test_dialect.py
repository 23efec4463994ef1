"""Dialect files: what is shipped and documented can be used, a mistake is named with its key."""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from pathlib import Path

import pytest

from drivers.dialect import Dialect, load_dialect, shipped_names
from drivers.dialect_sheet import remarks, sent_lines
from drivers.written_file import FileError, check
from tests.drivers.shapes import METER, dialect

SHIPPED = shipped_names()
README = (resources.files("drivers") / "dialects" / "README.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_dialect_is_whole_and_documented(name: str) -> None:
    spoken = load_dialect(name)
    assert f"`{name}`" in README
    lines = list(sent_lines(spoken))
    assert lines
    for _, sent, _ in lines:
        assert sent.count("?") <= 1, "queries are never joined: their answers cannot be told apart"
        assert ";" not in sent or ";:" in sent, "a header after a semicolon begins at the root"
        assert "(@ " not in sent, "a list with spaces is refused by strict parsers"
        assert "needs a value" not in sent
        assert len(sent) <= 80


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_dialect_reads_back_what_it_sets(name: str) -> None:
    unproven = [text for text in remarks(load_dialect(name)) if "never read back" in text]
    allowed = {"scpi-dmm": 10, "scpi-dmm-function": 5}  # the function's range is asked as it is
    assert len(unproven) <= allowed.get(name, 0)


@pytest.mark.parametrize("text", EXAMPLES, ids=lambda text: text.split('"')[1])
def test_each_example_of_the_readme_can_be_used(text: str) -> None:
    spoken = dialect(text)
    assert list(sent_lines(spoken))


def test_the_readme_has_an_example_for_every_kind_of_role() -> None:
    roles = {tomllib.loads(text)["role"] for text in EXAMPLES}
    assert roles == {"dmm", "supply", "insulation", "source", "scanner", "thermometer"}


def test_every_key_of_the_format_stands_in_the_readme() -> None:
    def keys(schema: dict[str, object]) -> set[str]:
        found: set[str] = set()
        for name, part in schema.items():
            if name == "properties" and isinstance(part, dict):
                found |= set(part)
            if isinstance(part, dict):
                found |= keys(part)
        return found

    known = keys(Dialect.model_json_schema())
    missing = {key for key in known if not re.search(rf"\b{re.escape(key)}\b", README)}
    assert not missing


def test_a_workshops_own_file_is_looked_up_beside_the_bench_file(tmp_path: Path) -> None:
    (tmp_path / "my-meter.toml").write_text(METER)
    assert load_dialect("my-meter.toml", tmp_path).about == "a meter for tests"
    with pytest.raises(FileError, match="no such file"):
        load_dialect("my-meter.toml", tmp_path / "elsewhere")
    with pytest.raises(FileError, match=r"shipped are line-insulation-request, .*ends in .toml"):
        load_dialect("my-meter")


ALIKE = """
[quantities.resistance]
unit = "ohm"
reading = { ask = "READ?", reply = "(?P<value>{number})" }
"""
SET_OHMS = 'settings = [{ tell = "OHMS" }]\n'
TESTER = """
role = "insulation"
about = "a tester with a knob"
[safe_off]
tell = ["OFF"]
proof = [{ ask = "V?", reply = "(?P<value>{number})", below = 5.0 }]
[quantities.insulation-resistance]
unit = "ohm"
reading = { ask = "R?", reply = "(?P<value>{number})" }
[insulation]
start = [{ tell = "GO" }]
stop = [{ tell = "OFF" }]
"""
SAFE = '[safe_off]\ntell = ["OFF"]\nproof = [{ ask = "V?", reply = "0" }]\n'
SUPPLY = """
role = "supply"
about = "a supply"
[supply]
program = [{ tell = "V {volts}" }, { tell = "I {amps_limit}" }]
on = [{ tell = "ON" }]
off = [{ tell = "OFF" }]
"""


@pytest.mark.parametrize(
    ("text", "key", "reason"),
    [
        ('role = "meter"\nabout = ""', "role", "'dmm', 'supply'"),
        ('role = "dmm"', "about", "is missing"),
        ('role = "dmm"\nabout = ""', "", "at least one table [quantities.NAME]"),
        ('role = "supply"\nabout = ""', "", "needs a table [supply]"),
        (METER + "[scanner]\nclose = 'C'\nopen_all = 'A'\nclosed = 'S'", "", "cannot have"),
        (SUPPLY, "", "needs [safe_off]: how off is told and proven"),
        (SUPPLY + SAFE.replace("proof", "prove"), "safe_off.proof", "is missing"),
        (SUPPLY + SAFE.replace('ask = "V?", reply = "0"', 'tell = "V"'), "safe_off", "proof asks"),
        (SUPPLY.replace("{volts}", "5") + SAFE, "supply", "must tell {volts}"),
        (SUPPLY.replace("{volts}", "{volt}") + SAFE, "supply", "must tell {volts}"),
        (SUPPLY.replace('"ON"', '"ON {output}"') + SAFE, "", "{output} is none of amps_limit"),
        (SUPPLY + 'remote_sense = "commanded"\n' + SAFE, "supply", "only if, program tells it"),
        (METER.replace("{number}", "("), "reply", "pattern"),
        (METER.replace("(?P<value>{number})", ".*"), "reply", "matches an empty reply"),
        (METER.replace("value", "volts"), "reading", "group 'value'"),
        (METER.replace("READ?", "READ? {range"), "ask", "'}'"),
        (METER.replace("READ?", "READ? {speed}"), "", "{speed} is none of automatic"),
        (METER.replace('unit = "V"', 'unit = "ohm"'), "", "quantities.dc-voltage.unit: must be V"),
        (METER + "speed = 1", "speed", "no such key here"),
        (METER + '[link]\nreply_end = "abc"', "link.reply_end", "one or two ASCII"),
        (METER + "[link]\nreply_s = 0", "link.reply_s", "greater than 0"),
        (METER + "[link]\nreply_s = inf", "link.reply_s", "a finite number is needed"),
        (METER + "[serial]\nparity = 'E'", "serial.parity", "'none', 'even'"),
        (METER + "[serial]\nstop_bits = 3", "serial.stop_bits", "1, 1.5 or 2"),
        (METER + "by = 'stream'", "reading", "impossible for a stream"),
        (METER + "by = 'poll'", "reading", "state is needed for poll"),
        (METER + "fetch = 'FETC?'", "reading", "start and fetch belong together"),
        (METER + "[[start_up]]\nask = 'X?'", "start_up.0", "ask (or listen) and reply belong"),
        (METER + "[[start_up]]\nwhen = 'x'", "start_up.0", "tells something, asks something"),
        (METER + "[[start_up]]\ntell = 'X'\nwhen = 'volts'", "", "when = 'volts' is none of"),
        (METER + "[[start_up]]\nask='X'\nreply='(?P<speed>1)'", "", "group 'speed' means nothing"),
        (METER + "[[start_up]]\ntell = 'X\\u0007'", "start_up.0.tell", "no such|ASCII"),
        (METER + '[values.plc]\nformat = "%d"', "values.plc", "digits and padding"),
        (METER.replace("(?P<value>", ".*(?P<value>"), "reply", "divides a number: of"),
        (METER.replace("(?P<value>", "CH[0-9]+(?P<value>"), "reply", "divides a number"),
        (METER.replace("(?P<value>", "[+-]?(?P<value>"), "reply", "divides a number: of '-0'"),
        (METER.replace("{number})", "{number}).+"), "reply", "divides a number"),
        (METER.replace("{number})", "[0-9]{4}).*"), "reply", "divides a number"),
        (METER + ALIKE, "", "dc-voltage and quantities.resistance are both read by 'READ?' alike"),
        (METER + ALIKE + SET_OHMS, "", "both read by 'READ?' alike"),
        (TESTER, "insulation", "start must tell {volts}; a tester that cannot be told says"),
        (TESTER + "fixed_volts = 500.0\nset_by_hand = true", "insulation", "one of the three"),
        (TESTER + "fixed_volts = nan", "insulation.fixed_volts", "a finite number is needed"),
        ("role = [", "", "is not TOML"),
    ],
)  # fmt: skip
def test_a_mistake_is_named_with_its_key_and_what_is_allowed(
    text: str, key: str, reason: str, tmp_path: Path
) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(text.replace("\\u0007", "\t"))
    with pytest.raises(FileError) as error:
        load_dialect("mine.toml", tmp_path)
    said = str(error.value)
    assert said.startswith(str(file))
    assert key in error.value.key
    assert any(part in said for part in reason.split("|")), said
    assert "\n" not in said


def test_a_file_that_is_no_text_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileError, match="is not UTF-8 text"):
        load_dialect("mine.toml", tmp_path)


def test_what_is_absent_is_told_by_the_file_alone() -> None:
    bare = check("x", tomllib.loads(METER), Dialect)
    assert bare.capabilities == {"dc-voltage"}
    settings = ("offset compensation", "integration time", "range")
    assert bare.absent == ("start and fetch", *settings, "block readings")


def test_remarks_name_what_a_writer_may_have_forgotten() -> None:
    said = list(remarks(dialect(SUPPLY + SAFE)))
    assert any("no [identification]" in text for text in said)
    assert any("'V {volts}' is told and never read back" in text for text in said)
    assert any("measured voltage would prove more" in text for text in said)


@pytest.mark.parametrize(
    "pattern",
    [
        "RES {value} OHM", "T=.* RH={value} .*", "[A-Z ]*{value}", "[0-9]{3}(?P<value>[0-9]{3})",
        "(?P<value>[0-9]{4})[0-9]{4}[01]", "(?P<status>[NO])? *{value}(?P<unit>.+)", "{value}.*",
        "CH[0-9]+ {value}", "(?=.{9}$)U= *{value}V", "[^0-9+-.]*{value}",
    ],
)  # fmt: skip
def test_what_leaves_a_number_whole_may_stand_beside_it(pattern: str) -> None:
    whole = pattern.replace("{value}", "(?P<value>{number})")
    status = ", status = { N = 'good', O = 'above' }" if "status" in pattern else ""
    reply = f"{{ pattern = '{whole}'{status} }}"
    assert dialect(METER.replace('"(?P<value>{number})"', reply)).quantities


def test_settings_a_proof_or_the_unit_in_the_reply_tell_two_quantities_apart() -> None:
    proven = METER + 'prove = [{ ask = "F?", reply = "V" }]\n'
    other = ALIKE + SET_OHMS
    assert dialect(proven + other).capabilities == {"dc-voltage", "resistance"}
    with_unit = (METER + ALIKE).replace("{number})", "{number})(?P<unit>[A-Z]+)")
    assert dialect(with_unit).capabilities == {"dc-voltage", "resistance"}
    with pytest.raises(FileError, match="resistance-2-wire"):
        dialect(with_unit + ALIKE.replace("resistance", "resistance-2-wire").replace(
            "{number})", "{number})(?P<unit>[A-Z]+)"))  # fmt: skip


VOLTS = 'reply = "(?P<value>{number})"'


@pytest.mark.parametrize(
    ("proof", "said"),
    [
        (f'ask = "V?", {VOLTS}', "a number proves off only with `below`"),
        ('ask = "V?", reply = ".+"', "it fits '0' and '1'"),
        ('ask = "V?", reply = "0|1"', "it fits '0' and '1'"),
        ('ask = "V?", reply = "[A-Z]+"', "it fits 'OFF' and 'ON'"),
        ('ask = "V?", reply = "{number}"', "it fits '0' and '1'"),
        ('ask = "S?", reply = "S=."', "it fits 'S=2' too, which this dialect takes for on"),
        ('ask = "S?", reply = "S=[0-3]"', "it fits 'S=2' too"),
    ],
)
def test_a_proof_of_off_that_a_supply_which_is_on_passes_is_refused(proof: str, said: str) -> None:
    state = 'state = { ask = "S?", reply = "S=(?:(?P<on>[23])|(?P<off>[01]))" }\n'
    text = SUPPLY + state + f'[safe_off]\ntell = ["OFF"]\nproof = [{{ {proof} }}]\n'
    with pytest.raises(FileError) as error:
        dialect(text)
    assert error.value.reason.startswith("safe_off.proof.0")
    assert said in error.value.reason


@pytest.mark.parametrize(
    ("name", "sound", "unsound"),
    [
        ("line-insulation-request", 'reply = "H1" }', 'reply = "H[01]" }'),
        ("line-insulation-start-poll", 'reply = "READY"', 'reply = "READY|CHARGING"'),
        ("scpi-scanner", r"reply = '\(@\)'", r"reply = '\(@.*\)'"),
        ("scpi-source", 'reply = "0|OFF"', 'reply = "0|ON"'),
    ],
)
def test_a_proof_of_off_is_held_against_what_the_dialect_itself_calls_on(
    name: str, sound: str, unsound: str
) -> None:
    text = (resources.files("drivers") / "dialects" / f"{name}.toml").read_text(encoding="utf-8")
    head, proof = text.split("[safe_off]")
    assert dialect(text).safe_off is not None
    assert sound in proof
    with pytest.raises(FileError, match="which this dialect takes for on"):
        dialect(f"{head}[safe_off]{proof.replace(sound, unsound, 1)}")


def test_volts_that_are_neither_told_nor_measured_are_remarked() -> None:
    said = list(remarks(dialect(TESTER + "set_by_hand = true")))
    assert any("volts are neither told nor measured" in remark for remark in said)
