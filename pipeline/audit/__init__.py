"""Audit of a run: corrections as appended events beside the predictions, what follows from them, and the page.

::

    events   what an act is, which values it may have
    state    events folded to what holds now
    lock     one writer a run
    store    RUN/audit.sqlite: append, undo, redo, conflicts
    final    rows with corrections applied: value_predicted, value_final, source
    replay   tracks, alignment and labels again from the evidence, with corrections
    agreement  blind accuracy and agreement of two people
    server   the page
"""

from pipeline.audit.events import EDITABLE, Event, NewEvent
from pipeline.audit.final import audited_snaps, final_rows, has_audit
from pipeline.audit.store import AuditStore, Conflict, Outcome

__all__ = [
    "EDITABLE", "AuditStore", "Conflict", "Event", "NewEvent", "Outcome", "audited_snaps", "final_rows", "has_audit",
]  # fmt: skip
