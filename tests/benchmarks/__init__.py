"""Benchmarks: commands that print figures, as ratios in one run where the machine's speed matters.

`python -m tests.benchmarks.NAME`, where NAME is one of

| name | measures | goal | takes |
|---|---|---|---|
| `valve_edges` | lateness of a valve's shut edge beside bare timers, in five conditions | p99 1.5 x | 7 min |
| `command_to_edge` | request to the line's open edge beside a bare echo | p50 no later | 3 min |
| `decide_cost` | microseconds a `decide`, by kind of turn, 8 and 64 zones | 10 us; 64 zones 3 x | 1 min |
| `idle_daemon` | start, memory, processor, writes: 8 zones, 12 sensors at 1 Hz | see there | 4 min |
| `flood` | lateness of control passes, losses, memory under 1,000 messages/s | no growth, no loss | 3 min |
| `disk_writes` | megabytes that the house's memory writes in a day, at full rates | 5 MB | 1 min |
| `rehearsal_cost` | seconds of a rehearsed year of eight zones; what half steps change | 60 s; 1 % | 3 min |
| `best_timer` | dry hours, water, over-misting of timers over a year; the best of them | none | 40 min |
| `import_cost` | time and memory of each library the daemon loads | none | 1 min |

Each takes `--help`. None is a test. All but `decide_cost`, `disk_writes`, `import_cost`, `rehearsal_cost`
and `best_timer` need a real mosquitto. All print the machine's load and how busy it was meanwhile: figures of
a busy machine are worth little. A benchmark that sees something wrong (an edge missing or early, a refusal)
ends with an error: a fast wrong answer is no result.
"""
