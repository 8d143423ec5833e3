"""The card's style sheet: ink on paper, one accent, readable in black and white and on a phone."""

STYLE = """
:root { --ink: #1d232b; --soft: #5c6570; --pale: #d9dde3; --accent: #24507a; }
* { box-sizing: border-box; }
body { margin: 0; background: #fff; color: var(--ink);
  font: 16px/1.55 system-ui, -apple-system, "Liberation Sans", "DejaVu Sans", Arial, sans-serif; }
main { max-width: 60rem; margin: 0 auto; padding: 2.5rem 1.25rem 4rem; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0 0 .4rem; }
h2 { font-size: 1.2rem; margin: 2.6rem 0 .6rem; padding-top: .9rem; border-top: 2px solid var(--ink); }
.lead { color: var(--soft); margin: 0; }
.note { border-left: 4px solid var(--accent); padding: .2rem 0 .2rem .9rem; margin: 1.2rem 0 0; }
.tiles { display: grid; gap: .8rem; margin: 1.2rem 0;
  grid-template-columns: repeat(auto-fit, minmax(11rem, 1fr)); }
.tiles div { display: flex; flex-direction: column-reverse;
  border: 1px solid var(--pale); padding: .7rem .9rem; }
.tiles dd { margin: 0; font-size: 1.55rem; font-weight: 650; font-variant-numeric: tabular-nums; }
.tiles dt { color: var(--soft); font-size: .88rem; line-height: 1.3; }
.pair { display: grid; grid-template-columns: repeat(auto-fit, minmax(20rem, 1fr)); gap: 1.2rem; }
figure { margin: 1rem 0; }
figure svg { display: block; width: 100%; height: auto; }
figure svg text { font-family: inherit; }
figcaption { color: var(--soft); font-size: .88rem; margin-top: .3rem; }
.scroll { overflow-x: auto; margin: 1.2rem 0; }
table { border-collapse: collapse; width: 100%; font-size: .9rem; font-variant-numeric: tabular-nums; }
caption { text-align: left; font-weight: 650; padding-bottom: .4rem; }
th, td { padding: .28rem .7rem .28rem 0; text-align: right; white-space: nowrap;
  border-bottom: 1px solid var(--pale); }
th:first-child { text-align: left; font-weight: 400; }
thead th { color: var(--soft); font-weight: 400; border-bottom: 1px solid var(--ink); }
.rules table { font-size: .82rem; }
.rules th, .rules td:last-child { white-space: normal; }
.rules td:last-child, .rules th:last-child { text-align: left; min-width: 13rem; }
@media print { main { padding: 0; } h2 { break-after: avoid; } figure, table { break-inside: avoid; } }
"""
