"""How the page looks: black on white like a workshop card, the pencil's violet for lines, nothing fetched.

System fonts only. Contrast of text is above 4.5 to 1; nothing is said by colour alone.
"""

from __future__ import annotations

from rectify.viewer import viewer_style

__all__ = ["style"]

_STYLE = """
:root { color-scheme: light; --ink: #20262b; --soft: #565d63; --line: #cfc9bc; --plaster: #f5f2eb;
  --pencil: #5a2a86;
  --stop: #9b1c1c; --look: #8a4b00; }
* { box-sizing: border-box; }
body { margin: 0; background: #fff; color: var(--ink);
  font: 15px/1.45 system-ui, "Segoe UI", Roboto, "Liberation Sans", sans-serif;
  font-variant-numeric: tabular-nums; }
main, header, footer { max-width: 76rem; margin: 0 auto; padding: 0 1.1rem; }
a { color: var(--pencil); }
p { margin: .4rem 0; max-width: 50rem; }
small { color: var(--soft); font-size: .82em; }
.skip { position: absolute; left: -99rem; } .skip:focus { left: 1rem; top: .5rem; background: #fff;
  padding: .3rem; }
header { padding-top: .8rem; }
.top { display: flex; flex-wrap: wrap; gap: 1rem 2rem; align-items: flex-start; justify-content: space-between;
  border-bottom: 3px solid var(--ink); padding-bottom: .5rem; }
.top p { margin: 0; } .kind { letter-spacing: .08em; text-transform: uppercase; color: var(--soft);
  font-size: .8rem; }
h1 { font: 700 2.1rem/1.05 ui-monospace, "Cascadia Mono", Menlo, "Liberation Mono", monospace;
  margin: .1rem 0 .2rem; }
.who { font-size: 1.1rem; }
.stamp { padding: .45rem; max-width: 21rem; }
.stamp > div { background: #fff; padding: .5rem .9rem; }
.stamp strong { display: block; font-size: 1.55rem; letter-spacing: .18em; line-height: 1.2; }
.draft { background: repeating-linear-gradient(135deg, var(--ink) 0 7px, #f0b429 7px 14px); }
.stopped { background: repeating-linear-gradient(135deg, var(--stop) 0 7px, #fff 7px 14px); }
.stopped strong { color: var(--stop); }
.released { background: var(--ink); }
dl.said { flex: 1 1 30rem; columns: 2 16rem; column-gap: 1.6rem; margin: 0; font-size: .84rem; }
dl.said div { display: flex; gap: .5rem; break-inside: avoid; } dt { color: var(--soft); min-width: 5.2rem; }
dd { margin: 0; }
.glance { display: grid; grid-template-columns: repeat(auto-fit, minmax(11rem, 1fr)); gap: .8rem;
  margin: .7rem 0; padding: 0;
  list-style: none; }
.glance li { background: var(--plaster); border-left: 4px solid var(--ink); padding: .55rem .8rem; }
.glance b { display: block; font-size: 1.55rem; line-height: 1.25; white-space: nowrap; }
.glance span { display: block; color: var(--soft); font-size: .88rem; }
h2 { font-size: 1.22rem; margin: 2.1rem 0 .5rem; border-bottom: 2px solid var(--pencil);
  padding-bottom: .15rem; }
h3 { font-size: 1rem; margin: 1.2rem 0 .3rem; }
ul { margin: .4rem 0; padding-left: 1.2rem; } li { margin: .2rem 0; }
ul.warnings { list-style: none; padding: 0; }
ul.warnings li { border-left: 4px solid var(--look); padding: .3rem .7rem; background: var(--plaster);
  margin: .35rem 0; }
ul.warnings li.stop { border-color: var(--stop); } ul.warnings li.note { border-color: var(--line);
  background: none; }
.tag { display: inline-block; min-width: 3.2rem; font-weight: 700; } .stop .tag { color: var(--stop); }
  .look .tag { color: var(--look); }
.note .tag { color: var(--soft); }
ul.cautions { border: 2px solid var(--ink); padding: .6rem 1rem .6rem 2rem; }
figure { margin: .8rem 0; } figcaption { color: var(--soft); font-size: .88rem; max-width: 50rem; }
figure > svg { display: block; width: 100%; height: auto; max-width: 60rem; margin: 0 auto; }
.two { display: grid; grid-template-columns: 1fr 1fr; gap: .2rem 1.6rem; align-items: start; }
.two h3 { margin: 0 0 .2rem; } .two ul { margin-top: .2rem; }
.calm { padding: .3rem .7rem; border-left: 4px solid var(--line); }
.stage { display: none; } .live .stage { display: block; } .live #view > [data-part=note] { display: none; }
.live .first { display: grid; grid-template-columns: minmax(0, 1fr) 25rem; gap: 0 1.6rem; }
.live .first > #view { grid-column: 1; grid-row: 1; } .live .gist { grid-column: 2; font-size: .92em; }
.live .gist .two { grid-template-columns: 1fr; } .live .gist h2, .live #view h2 { margin-top: .6rem; }
.live .gist .glance { grid-template-columns: 1fr; gap: .35rem; margin: .6rem 0 0; }
.live .gist .glance li { display: grid; grid-template-columns: 7rem 1fr; align-items: center; padding: .25rem .7rem; }
.live .gist .glance b { font-size: 1.25rem; } .live .gist li { margin: .15rem 0; }
.picture { height: clamp(22rem, calc(100vh - 18.5rem), 46rem); border: 1px solid var(--line); }
.tools { font-size: .88rem; } .under { display: flex; flex-wrap: wrap; gap: .3rem 1.6rem; margin-top: .6rem; }
.under p { flex: 1 1 18rem; margin: 0; }
.cut { display: grid; grid-template-columns: 16rem minmax(0, 1fr); gap: .2rem 1.2rem; align-items: center;
  font-size: .9rem; max-width: 44rem; margin-top: .6rem; }
.cut label, .cut input { grid-column: 1 / -1; } .cut label { font-weight: 600; }
.unseen { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); margin: 0; }
.cuts { display: flex; gap: .6rem; } .cuts figure { flex: 1 1 0; min-width: 0; margin: 0; }
.cuts figcaption { text-align: center; color: var(--ink); } .cuts span { white-space: nowrap; }
.sides { display: flex; gap: .8rem; align-items: flex-end; }
.sides figure { margin: 0; } .sides img { display: block; max-width: 100%; height: auto; }
  .sides figcaption { text-align: center; }
.wide { overflow-x: auto; margin: .6rem 0 1rem; } .wide:focus-visible { outline: 2px solid var(--pencil); }
table { border-collapse: collapse; width: 100%; font-size: .88rem; }
caption { text-align: left; font-weight: 600; padding: .2rem 0; }
th, td { padding: .28rem .55rem; border-bottom: 1px solid var(--line); vertical-align: top; text-align: left; }
thead th { border-bottom: 1.5px solid var(--ink); vertical-align: bottom; background: var(--plaster); }
thead small, tbody th small, td.n small { display: block; font-weight: 400; }
tbody th { font-weight: 600; } table.regions tbody th { min-width: 8.6rem; }
  table.regions th, table.regions td { padding-left: .35rem; padding-right: .35rem; }
th.n, td.n { text-align: right; } td.n { white-space: nowrap; } td.n small { white-space: normal; }
td.said { color: var(--soft); } .none { color: var(--soft); }
tr:has(.off) { background: #fdf3e2; } .off { font-weight: 700; }
table.key { width: auto; } table.key td { max-width: 40rem; }
code, .mono { font: .84em ui-monospace, Menlo, "Liberation Mono", monospace; overflow-wrap: anywhere; }
.bar { display: block; margin-left: auto; }
.legend { display: flex; flex-wrap: wrap; gap: .2rem 1.3rem; list-style: none; padding: 0; font-size: .88rem; }
.legend svg { vertical-align: -.2em; margin-right: .35rem; }
footer { border-top: 3px solid var(--ink); margin-top: 2.5rem; padding-top: .6rem; padding-bottom: 1.5rem;
  color: var(--soft); font-size: .88rem; }
@media (max-width: 66rem) { .top { gap: .5rem 2rem; } dl.said { order: 3; flex-basis: 100%; }
  .gist .two { font-size: .94em; } .live .first { display: block; } .live .gist .two { grid-template-columns: 1fr 1fr; }
  .live .gist .glance { grid-template-columns: repeat(auto-fit, minmax(11rem, 1fr)); }
  .live .gist .glance li { display: block; } .picture { height: clamp(22rem, 60vh, 40rem); } }
@media (max-width: 44rem) { .two, .live .gist .two, .cut { grid-template-columns: 1fr; } .cuts { flex-wrap: wrap; }
  .cuts figure { flex: 0 1 46%; } .sides { flex-wrap: wrap; } .sides figure { flex: 0 1 44% !important; }
  h1 { font-size: 1.9rem; } .stamp { max-width: none; width: 100%; } }
@media print {
  @page { size: A4; margin: 15mm 13mm 15mm; @top-left { content: "RUNNING"; font: 8pt sans-serif;
  color: #20262b; }
    @bottom-right { content: "page " counter(page) " of " counter(pages); font: 8pt sans-serif; color: #20262b;
  } }
  html { font-size: 12.5px; } body { font-size: 9.5pt; print-color-adjust: exact;
  -webkit-print-color-adjust: exact; }
  main, header, footer { max-width: none; padding: 0; }
  .top { flex-wrap: nowrap; gap: .6rem 1.2rem; } dl.said { order: 0; flex-basis: 0; columns: 2 8rem; font-size: 7.4pt; }
  dt { min-width: 3.9rem; } .stamp strong { font-size: 1.2rem; } .cautions { font-size: 8.4pt; }
  .wide { overflow: visible; } table { font-size: 7.8pt; } th, td { padding: .16rem .3rem; }
  h2 { margin-top: 1.2rem; } h2, h3, caption { break-after: avoid; }
  tr, figure, li, .top, .stamp { break-inside: avoid; }
  thead { display: table-header-group; break-after: avoid; }
  table.key { break-inside: avoid; } a { color: inherit; text-decoration: none; }
  .live .gist .two, .two { grid-template-columns: 1fr 1fr; }
  .live .gist .glance, .glance { grid-template-columns: repeat(auto-fit, minmax(8rem, 1fr)); }
  .live .gist .glance li { display: block; } .live .gist .glance b { font-size: 1.25rem; }
  .sides { gap: .3rem .6rem; }
  .sides { flex-wrap: nowrap; }  table.regions tbody th { min-width: 0; }
  nav, #view { display: none; } .live .first { display: block; } .cuts { flex-wrap: nowrap; }
  .cuts figcaption { font-size: 7.6pt; }
}
nav ul { display: flex; flex-wrap: wrap; gap: .1rem 1.1rem; list-style: none; padding: 0; margin: .3rem 0;
  font-size: .9rem; }
"""


def style(running: str) -> str:
    """The style sheet; `running` heads every printed page."""
    kept = "".join(c if c.isalnum() or c in " -_.,:" else " " for c in running)
    return viewer_style() + _STYLE.replace("RUNNING", kept)
