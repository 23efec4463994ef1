"""The plugin as a project that uses it sees it: its own pytest runs, alone and in parallel."""

from __future__ import annotations

from textwrap import dedent

import pytest

pytest_plugins = ["pytester"]

READING = """
def read(bench):
    with bench.lead() as leader:
        leader.say("scanner", "ROUT:CLOS (@101,202,301,402)", 0.1)
        leader.say("dmm", "CONF:FRES 1E4")
        return leader.ask("dmm", "READ?")
"""


def run(pytester: pytest.Pytester, source: str, *options: str) -> pytest.RunResult:
    pytester.makepyfile(READING + dedent(source))
    return pytester.runpytest_subprocess("-p", "no:cacheprovider", *options)


def test_pytest_finds_the_plugin_by_itself_and_it_costs_nothing_unused(
    pytester: pytest.Pytester,
) -> None:
    pytester.makeini("[pytest]\naddopts = --strict-markers --strict-config\nfilterwarnings = error")
    result = run(
        pytester,
        """
        import sys
        import pytest

        @pytest.mark.simulated_bench(seed=1)
        def test_it(pytestconfig):
            assert pytestconfig.pluginmanager.has_plugin("bridgebench")
            ours = {name for name in sys.modules if name.startswith("simulated_bench")}
            assert ours == {"simulated_bench", "simulated_bench.pytest_plugin"}
            assert not {"numpy", "scipy", "pyvisa"} & set(sys.modules)
        """,
    )
    result.assert_outcomes(passed=1)


def test_it_can_be_left_out(pytester: pytest.Pytester) -> None:
    result = run(pytester, "def test_it(simulated_bench): pass", "-p", "no:bridgebench")
    result.stdout.fnmatch_lines(["*fixture 'simulated_bench' not found*"])


def test_a_test_gets_a_bench_file_and_a_led_bench(pytester: pytest.Pytester) -> None:
    result = run(
        pytester,
        """
        def test_it(simulated_bench):
            assert 'dialect = "scpi-dmm"' in simulated_bench.bench_file.read_text()
            assert abs(float(read(simulated_bench)) - 385.1) < 0.3
        """,
    )
    result.assert_outcomes(passed=1)


def test_marks_choose_scenario_seed_and_faults(pytester: pytest.Pytester) -> None:
    result = run(
        pytester,
        """
        import pytest

        @pytest.mark.simulated_bench(scenario="open-arm-a", seed=3)
        def test_scenario(simulated_bench):
            assert 730 < float(read(simulated_bench)) < 740

        @pytest.mark.simulated_bench(faults=[{"kind": "open", "element": "conductor Ex+"}])
        def test_fault(simulated_bench):
            assert float(read(simulated_bench)) > 9e37

        @pytest.mark.simulated_bench(wire_faults=[{"wire": "dmm", "kind": "silent"}])
        def test_wire_fault(simulated_bench):
            with pytest.raises(TimeoutError):
                read(simulated_bench)

        @pytest.mark.simulated_bench(seed=4)
        class TestSeeds:
            def test_same(self, simulated_bench):
                first = read(simulated_bench)
                with open("../first", "w") as file:
                    file.write(first)

            def test_again(self, simulated_bench):
                with open("../first") as file:
                    assert file.read() == read(simulated_bench)

            @pytest.mark.simulated_bench(seed=5)
            def test_other(self, simulated_bench):
                with open("../first") as file:
                    assert file.read() != read(simulated_bench)
        """,
    )
    result.assert_outcomes(passed=6)


def test_a_failing_test_says_how_to_repeat_it(pytester: pytest.Pytester) -> None:
    result = run(
        pytester,
        """
        import pytest

        @pytest.mark.simulated_bench(scenario="surge", seed=11)
        def test_fails(simulated_bench):
            assert False
        """,
        "--bench-seed",
        "12",
    )
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["*simulated_bench --scenario surge --seed 12"])


MISTAKES = [
    ('speed="high"', "*no key 'speed'; there are scenario, seed*"),
    ('"open-arm-a"', "*keys only, such as scenario=*"),
    ('scenario="no-such"', "*no-such: no such scenario; there are*"),
    ('faults="open"', "*faults is a list of tables*"),
    ('faults=[{"kind": "open", "element": "arm E"}]', "*there is no element 'arm E'*"),
]


def test_a_mark_that_cannot_be_is_told_in_one_line(pytester: pytest.Pytester) -> None:
    tests = "".join(
        f"""
@pytest.mark.simulated_bench({mark})
def test_{number}(simulated_bench):
    pass
"""
        for number, (mark, _) in enumerate(MISTAKES)
    )
    result = run(pytester, "import pytest\n" + tests)
    result.assert_outcomes(errors=len(MISTAKES))
    for _, said in MISTAKES:
        result.stdout.fnmatch_lines([said])


def test_benches_of_parallel_tests_do_not_meet(pytester: pytest.Pytester) -> None:
    pytest.importorskip("xdist")
    result = run(
        pytester,
        """
        import pytest

        @pytest.mark.parametrize("number", range(4))
        def test_it(simulated_bench, number):
            assert abs(float(read(simulated_bench)) - 385.1) < 0.3
        """,
        "-n",
        "2",
    )
    result.assert_outcomes(passed=4)
