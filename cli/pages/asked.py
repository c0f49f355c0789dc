"""One request by somebody, and what a page can do with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from cli.pages.rights import Account, Right
from ledger.errors import NotFound

if TYPE_CHECKING:
    from jinja2 import Environment

    from cli.pages.doors import Doors
    from ledger.chronology import History
    from ledger.entries import Signature
    from ledger.people import Patient
    from ledger.store import Ledger
    from ledger.store.papers import StoredReport
    from ledger.store.upkeep import Noted


@dataclass(kw_only=True)
class Asked:
    """A request by an account, with a ledger connection that is its own until the answer is made."""

    request: Request
    account: Account | None
    ledger: Ledger
    templates: Environment
    csrf: str
    """What each form of the page has to carry in its hidden field `csrf`; `pieces.csrf()` writes it."""
    day: date | None = None
    """The day that counts as today where the server was told one (`--today`, the demo's)."""
    form: FormData = field(default_factory=FormData)
    noted: list[Noted] = field(default_factory=list)
    """What goes into the audit with this request."""

    # --- What was asked -------------------------------------------------------------------------------------------

    def path(self, name: str) -> str:
        """A part of the path."""
        return str(self.request.path_params[name])

    def query(self, name: str, default: str = "") -> str:
        """What stands after the question mark."""
        return self.request.query_params.get(name, default).strip()

    def field(self, name: str, default: str = "") -> str:
        """A field of the form, as text without spaces around it."""
        value = self.form.get(name, default)
        return value.strip() if isinstance(value, str) else default

    @property
    def doors(self) -> Doors:
        """The sessions of the server."""
        found: Doors = self.request.app.state.doors
        return found

    # --- Who asks, and of whom ------------------------------------------------------------------------------------

    @property
    def who(self) -> Account:
        """Whoever is signed in. Only pages that anybody may see can have nobody."""
        assert self.account is not None, "a page without a right asked who is there"
        return self.account

    def may(self, right: str) -> bool:
        """For templates: whether whoever asks has this right, by its name (`ENTER`)."""
        return self.account is not None and self.account.may(Right[right])

    def signature(self) -> Signature:
        """Whoever is signed in, as the signature of an entry."""
        from ledger.entries import Signature
        from ledger.vocabulary import ConfirmedHow

        return Signature(person=self.who.person, how=ConfirmedHow.SIGNED_IN)

    def today(self, patient: str | None = None) -> date:
        """The day that counts as today for this patient's unit."""
        return self.day or self.ledger.today(patient)

    def patient(self, named: str | None = None, *, did: str = "page") -> Patient:
        """The patient of the path (or of this id), if whoever asks may see them. The look is noted.

        Raises NotFound, in the same words for a patient of a foreign unit as for none.
        """
        one = self.may_see(named if named is not None else self.path("patient"))
        self.note(did, patient=one.id)
        return one

    def may_see(self, patient: str) -> Patient:
        """The patient with this id if whoever asks may see them; no look is noted.

        Raises NotFound in the same words for a patient of a foreign unit as for none, and notes what was refused.
        """
        from ledger.store.who import number_of, patient_id

        wanted = patient_id(number_of(patient))
        if wanted in self.ledger.who:
            one = self.ledger.who.patient(wanted)
            if self.who.sees_unit(one.unit):
                return one
            self.note("refused", patient=wanted)
        raise NotFound(
            f"There is no patient {wanted} that you may see.",
            "Look for them with Find, or ask whoever keeps the accounts.",
        )

    def owner(self, access: str | None = None, *, did: str = "page") -> Patient:
        """The patient whose access the path (or this id) names, if whoever asks may see them. The look is noted.

        Raises NotFound in the same words for an access of a foreign unit's patient as for none.
        """
        named = access if access is not None else self.path("access")
        owner = self.ledger.owner_of(named)
        if owner is None or not self._sees(owner):
            raise NotFound("There is no such access that you may see.", "Begin with the patient: look with Find.")
        return self.patient(owner, did=did)

    def report(self, named: str | None = None, *, did: str = "report") -> StoredReport:
        """The report that the path (or this id) names, if whoever asks may see it. The look is noted.

        A report that nobody has matched to a patient is of no unit: whoever confirms may see it, so that somebody can.
        Raises NotFound in the same words for a report about a foreign unit's patient as for none.
        """
        wanted = named if named is not None else self.path("report")
        refused = NotFound("There is no such report that you may see.", "Look in the list of reports.")
        if not self.ledger.papers.holds(wanted):
            raise refused
        found = self.ledger.papers.report(wanted)
        if not (self.may("CONFIRM") if found.patient is None else self._sees(found.patient)):
            raise refused
        self.note(did, patient=found.patient, about=found.id)
        return found

    def _sees(self, patient: str) -> bool:
        """Whether this patient exists for whoever asks; a patient who does not is noted as refused."""
        if self.who.sees_unit(self.ledger.who.patient(patient).unit):
            return True
        self.note("refused", patient=patient)
        return False

    def history(self, patient: str) -> History:
        """The history of a patient, sessions included; as of and as known on the days that the query names."""
        from cli.look import seen

        whole = self.ledger.history(patient, sessions=True)
        return seen(
            whole,
            self.query("as_of") or None,
            self.query("known_on") or None,
            asked_as=('"as of a day"', '"as known on a day"'),
        )

    def note(self, did: str, *, patient: str | None = None, about: str | None = None) -> None:
        """Adds a line to the audit: who did or looked at what, ids only.

        It is written when the page is made and before the answer is sent; see `looks`.
        """
        from ledger.dates import instant_text
        from ledger.store.upkeep import Noted

        person = None if self.account is None else self.account.person
        line = Noted(instant_text(self.ledger.clock()), person, did, patient, about)
        if not any(line[1:] == other[1:] for other in self.noted):
            self.noted.append(line)

    # --- What is answered -----------------------------------------------------------------------------------------

    def page(self, template: str, *, status: int = 200, **shown: Any) -> Response:
        """A page made of a template. `asked` is always there."""
        html = self.templates.get_template(template).render(asked=self, **shown)
        return HTMLResponse(html, status_code=status)

    def to(self, path: str, query: Mapping[str, str] | None = None) -> Response:
        """Sends the browser to another page of ours, as after a form."""
        from urllib.parse import urlencode

        return RedirectResponse(path + ("?" + urlencode(query) if query else ""), status_code=303)
