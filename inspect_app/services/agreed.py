"""What was agreed with the customer: the bevel of the job's terms, and the heights its estimate expects."""

from __future__ import annotations

from sqlalchemy import select

from inspect_app.decide.estimate import Estimate
from inspect_app.decide.levelling import Spread
from inspect_app.decide.proof import Agreed
from inspect_app.jobs.decision_models import EstimateRow
from inspect_app.jobs.store import Store, reading
from inspect_app.services.deciding import terms

__all__ = ["agreed_of"]


def agreed_of(store: Store, job_id: int) -> Agreed:
    """The bevel agreed, and the forecast of the accepted estimate; of the one last issued where none is accepted."""
    known = terms(store, job_id)
    with reading(store) as session:
        rows = session.scalars(
            select(EstimateRow)
            .where(EstimateRow.job_id == job_id, EstimateRow.status.in_(("accepted", "issued")))
            .order_by(EstimateRow.status, EstimateRow.revision.desc())  # "accepted" sorts before "issued"
        )
        first = next(iter(rows), None)
        forecast = Estimate.from_dict(first.content).forecast if first else ()
    return Agreed(known.bevel_deg, {n: Spread(value, u) for n, value, u in forecast})
