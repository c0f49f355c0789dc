"""The pages: what `access-ledger serve` shows to nurses, liaisons and practitioners.

Server-rendered with starlette and jinja2; little script, no build step, nothing loaded from elsewhere. How it is made:

- A module of pages holds plain functions `def name(asked: Asked) -> Response` and ends with a table `PAGES` of `Page`s:
  path, function, the right that is needed, methods. `site.py` lists the modules. Routes, the menu and the test that
  walks every route for every role are made from these tables, so there is no route without a right.
- `Asked` (asked.py) is one request by somebody: who asks, their ledger connection, the form, the day that counts as
  today. `asked.patient(id)`, `owner(access)` and `report(id)` are the only ways to somebody's data: they refuse what is
  of a foreign unit, in the words for what does not exist, and note the look.
- `asked.page("name.html", ...)` renders a template of `templates/`; each extends `base.html`. Shared pieces are macros
  in `pieces.html`. Styles stand in `static/site.css`, one sheet for screen and print; scripts are small files in
  `static/`, each for one thing, and every page works without them but for what only a script can do.
- A page asks, calls a function of values in `ledger`, and shows. It computes nothing that a command computes.
- Content-Security-Policy allows nothing inline: no `style=` attributes, no inline script. SVG is drawn with classes and
  presentation attributes (`x`, `d`, `fill`).
- What a person may fix is a `LedgerError`; the shell shows its problem and remedy. Ids in paths are our own (`P0007`,
  an access's id, an entry's id), never names or numbers of patients.

To add a page: write the function and its line in `PAGES`, the template, and a test. A new module also goes into
`site.MODULES`. What holds for every page (rights, units, form tokens, width, axe-core) is tried without a test of
yours; a path with a place that only your page knows needs `examples` for it.
"""
