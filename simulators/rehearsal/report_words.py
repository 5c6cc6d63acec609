"""The words and the looks of a rehearsal's report that are the same for every rehearsal."""

CAUTION = (
    "Its air, leaves, cuttings, medium and pipes are models with middling figures; yours differ, and so will "
    "what your cuttings need. Use it to compare programmes, not to predict: try the better one on one bench, "
    "and look at the leaves. Relief valves, float switches, backflow prevention and whoever walks the house "
    "stay what they are."
)
HOW_TO_READ = (
    "First the dry minutes and the longest spell: they are what kills unrooted cuttings. A few minutes on "
    "many days are another thing than an hour on one.",
    "Then the water that missed the leaves or dripped off, and the sour hours: they are what rots them. "
    "Fewer dry minutes for much more of these is no gain.",
    "A zone is judged for dryness by its driest quarter, where nozzles reach least, and for sourness by its "
    "wettest. Most of the bench fares better than either.",
    "A long gap at night may be meant so: it is too long where the table also shows dry or wilted minutes.",
    "Plots of one quantity have the same scale in every zone, so that zones can be held against each other.",
    "Two programmes that differ by a few percent do not differ: what the models leave out is more than that.",
)
ASSUMED = (
    "Bursts are decided by the program's own rules, as in a house; valves, pipes, air, leaves, cuttings and "
    "medium are simulated, with the zones, nozzles and bench areas that the house's file gives.",
    "Every bench begins misted in by hand, with soft cuttings just stuck, and is cleared and stuck anew "
    "every four weeks. Sensors of the air send every two minutes at least.",
    "Every configuration had the same weather, the same seed and the same simulated instruments, from the "
    "midnight before the first day to that after the last.",
    "Days, nights and midnights are those of the place where the weather was measured, by its standard time, "
    "wherever the house stands.",
    "Weather is known as finely as its file tells it, mostly by the hour; in between it runs smoothly. "
    "Gusts, clouds and showers that are shorter are not in it.",
    "Nobody held a zone, changed a setting or opened a door, and nothing broke down.",
)
STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0; background: #fff; color: #1a1a1a; font: 16px/1.5 system-ui, sans-serif; }
main { max-width: 1180px; margin: 0 auto; padding: 1rem; }
h1 { font-size: 1.5rem; line-height: 1.25; margin: 0.5rem 0; }
h2 { font-size: 1.2rem; margin: 2rem 0 0.5rem; border-bottom: 1px solid #9aa0a6; }
h3 { font-size: 1rem; margin: 1.25rem 0 0.25rem; }
h1, h2, h3, p, li, caption, tbody th { overflow-wrap: anywhere; }
p, ul { margin: 0.5rem 0; max-width: 46rem; }
ul { padding-left: 1.25rem; }
ul.plain { list-style: none; padding-left: 0; }
.caution { border: 2px solid #1a1a1a; padding: 0.6rem 0.8rem; }
.wide { overflow-x: auto; margin: 0.75rem 0; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; font-size: 0.9rem; }
caption { text-align: left; font-weight: 600; padding: 0.25rem 0; }
th, td { padding: 0.2rem 0.55rem; text-align: right; border-bottom: 1px solid #d5d8dc; white-space: nowrap; }
thead th { vertical-align: bottom; white-space: normal; min-width: 4.6rem; }
th:first-child { text-align: left; min-width: 7rem; white-space: normal; background: #fff; }
tbody th { position: sticky; left: 0; }
thead small { display: block; font-weight: 400; }
tbody small { display: block; font-weight: 400; color: #4a4f55; }
tr.whole > * { border-top: 2px solid #1a1a1a; font-weight: 600; }
.plots { display: grid; gap: 0.5rem 1.25rem; }
.plots { grid-template-columns: repeat(auto-fill, minmax(min(20rem, 100%), 1fr)); }
.plots.narrow { grid-template-columns: repeat(auto-fill, minmax(min(15.5rem, 100%), 1fr)); }
.plots.broad { grid-template-columns: repeat(auto-fill, minmax(min(28rem, 100%), 1fr)); }
figure { margin: 0; break-inside: avoid; }
figcaption { font-size: 0.85rem; }
.plots svg { display: block; width: 100%; height: auto; }
.plots svg * { stroke-linejoin: round; stroke-linecap: butt; }
.key { display: inline-block; width: 1.8em; vertical-align: middle; }
.letter { font-size: 1.05em; }
footer { margin: 2rem 0 1rem; border-top: 1px solid #9aa0a6; font-size: 0.85rem; }
@media print { main { max-width: none; padding: 0; } .wide { overflow: visible; } table { font-size: 7.5pt; }
  h2, h3 { break-after: avoid; }
  .plots, .plots.narrow, .plots.broad { grid-template-columns: repeat(2, 1fr); } }
"""
