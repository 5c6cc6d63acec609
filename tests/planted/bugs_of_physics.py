"""Bugs in formulas, in the simulated house and in rehearsals, each with the test that catches it."""

from tests.planted.bug import Bug

PHYSICS: tuple[Bug, ...] = (
    Bug(
        name="the-tall-crops-night-by-day",
        promise="evaporation agrees with the published hour of a desert station",
        file="mistd/core/evaporation.py",
        good="resistance_by_day=0.24, resistance_by_night=0.96",
        bad="resistance_by_day=0.96, resistance_by_night=0.24",
        caught_by="tests/core/test_evaporation.py::test_the_desert_hour_of_the_fallon_station",
    ),
    Bug(
        name="deviations-not-counted-as-such",
        promise="the evenness of a bench agrees with the worked examples",
        file="mistd/core/uniformity.py",
        good="fsum(abs(catch_ml - mean_ml) for",
        bad="fsum(max(catch_ml - mean_ml, 0.0) for",
        caught_by="tests/core/test_uniformity.py::test_christiansen_gives_michaels_92_percent",
    ),
    Bug(
        name="what-leaves-drink-stays-on-them",
        promise="no water of the simulated house is lost or made, at any step",
        file="simulators/plant/plant.py",
        good="        self.owed_um -= self.canopy.draw(self.owed_um)\n",
        bad="        self.owed_um.fill(0.0)\n",
        caught_by="tests/simulators/test_water_book.py::test_water_and_heat_add_up_after_every_step",
    ),
    Bug(
        name="vapour-of-cuttings-never-in-the-air",
        promise="no water of the simulated house is lost or made, at any step",
        file="simulators/plant/plant.py",
        good="climate.step(dt_s, outdoors, evaporated_kg + due_kg,",
        bad="climate.step(dt_s, outdoors, evaporated_kg,",
        caught_by="tests/simulators/test_water_book.py::test_water_and_heat_add_up_after_every_step",
    ),
    Bug(
        name="as-wet-as-in-the-step-before",
        promise="what a rehearsal finds does not depend on the plant's steps",
        file="simulators/plant/leaves.py",
        good="            self.bench_air.expect(self._expected_um_per_s())\n",
        bad="            self.bench_air.expect(self._mean_um_per_s)\n",
        caught_by="tests/simulators/test_bench_air.py::test_films_between_bursts_hardly_depend_on_the_step",
    ),
    Bug(
        name="every-touch-a-new-stroke-of-the-valve",
        promise="one look at a burst tells as much as many",
        file="simulators/plant/valve_spans.py",
        good="        if self.passed_s - seconds < ROUNDING_S:\n            return 0.0, self.passed_s\n",
        bad="",
        caught_by="tests/simulators/test_plant.py::test_one_step_with_a_burst_inside_is_as_good_as_many_small_ones",
    ),
    Bug(
        name="rehearsed-bursts-a-step-late",
        promise="a rehearsal opens and shuts valves when the daemon would",
        file="simulators/rehearsal/engine.py",
        good="                self._keeper.next_end_s,\n",
        bad="",
        caught_by="tests/simulators/test_rehearsal_engine.py::"
        "test_valves_open_and_shut_when_the_whole_daemon_would_have_them",
    ),
)
