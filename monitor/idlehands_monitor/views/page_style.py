"""The style sheet of an HTML page: screens of any width, light and dark, and paper."""

from __future__ import annotations

STYLE = """
:root { color-scheme: light dark }
* { box-sizing: border-box }
body { font: 15px/1.5 system-ui, sans-serif; max-width: 72rem; margin: 0 auto }
body { padding: 0 1rem 3rem }
h1 { font-size: 1.4rem; overflow-wrap: anywhere }
h2 { font-size: 1.25rem; margin: 2.5rem 0 .5rem }
h3 { font-size: 1.05rem; margin: 1.75rem 0 .3rem }
p { margin: .3rem 0; max-width: 60rem; overflow-wrap: anywhere }
.lead { opacity: .85 } .strong { font-weight: 600 } * + .strong { margin-top: .8rem }
.note { opacity: .8; font-size: .9em }
.detail { margin-left: 1.5rem }
.headline { border-left: .4rem solid #0072B2; background: #0072B21a }
.headline { padding: .4rem 1rem; margin: 1rem 0 }
.headline .strong { font-size: 1.15rem; margin-top: .3rem }
nav { border: solid #8886; border-width: 1px 0; padding: .5rem 0; font-size: .9rem }
nav ul { list-style: none; padding: 0; margin: 0; display: flex; flex-wrap: wrap; gap: .15rem 1rem }
a { color: LinkText }
a:focus-visible, summary:focus-visible, .scroll:focus-visible { outline: 2px solid }
.skip { position: absolute; left: -99rem }
.skip:focus { left: 1rem; background: Canvas; padding: .5rem }
.scroll { overflow-x: auto; max-width: 100% }
/* A shadow at each end beyond which there is more; the first two cover it at the very end. */
.scroll { background: linear-gradient(90deg, Canvas 1rem, #0000 2rem) local,
linear-gradient(270deg, Canvas 1rem, #0000 2rem) local,
linear-gradient(90deg, #8887, #0000 .8rem), linear-gradient(270deg, #8887, #0000 .8rem) }
table { border-collapse: collapse; margin: .5rem 0; font-variant-numeric: tabular-nums }
th, td { padding: .15rem .6rem; text-align: left; vertical-align: top; white-space: nowrap }
.wraps td:not(.right), .wraps th:not(.right) { white-space: normal; min-width: 5rem }
.glyphs { font-size: .7em; opacity: .6; overflow-wrap: anywhere }
thead th { border-bottom: 1px solid #8888; vertical-align: bottom; white-space: normal }
tbody tr:nth-child(even) { background: #88888818 } tbody th { font-weight: normal }
th.right, td.right, .numbers td, .numbers thead th + th { text-align: right }
pre { background: #88888818; padding: .5rem 1rem; overflow-x: auto }
figure { margin: 1rem 0 } figcaption { margin-bottom: .3rem }
details { font-size: .9rem; margin: .3rem 0 } summary { cursor: pointer; opacity: .85 }
@media (max-width: 40rem) {
body { padding: 0 .6rem 2rem; font-size: 14px } .detail { margin-left: .6rem }
th, td { padding: .15rem .35rem } td svg.bar { width: 5rem }
}
@media print {
:root { color-scheme: light } body { font-size: 9pt; max-width: none; padding: 0 }
nav, .skip, details { display: none }
h1, h2, h3 { break-after: avoid } h2, h3 { margin-top: 1rem }
tr, figure, .headline, svg { break-inside: avoid }
.scroll { overflow: visible; background: none }
th, td { padding: .05rem .3rem; font-size: 8pt }
th, td, .wraps td:not(.right), .wraps th:not(.right) { white-space: normal; min-width: 0 }
td svg.bar { width: 6rem; height: .7rem } svg.matrix, svg.curve { max-width: 100%; min-width: 0 }
}
"""
