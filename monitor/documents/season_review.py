"""The review of a yard's season as a document for the yard: plain words first, then charts and every number."""

from collections.abc import Sequence
from datetime import datetime

from monitor.documents.charts import as_data_uri
from monitor.documents.page import About, render
from monitor.documents.season_charts import grid_svg, shares_svg
from monitor.presentation.season_charts import ShareChart
from monitor.presentation.season_review import BASIS, FOR_THE_YARD, SeasonContent
from monitor.ranking import HAZARDS
from monitor.register import Yard

WHAT = (
    "What inspections of the season found, whether the list of covers put first what needed a hand, what it did not "
    "see, and what to do otherwise. The first page says it in plain words; the numbers behind it follow."
)


def season_review(
    yard: Yard,
    content: SeasonContent,
    *,
    as_of: datetime,
    data_age_h: float | None,
    version: str,
    credits: tuple[str, ...] = (),
    not_assessed: Sequence[str] = (),
) -> str:
    """HTML of the review.

    Parameters
    ----------
    as_of : datetime
        End of the season. [UTC]
    data_age_h : float or None
        Age of the newest weather hour then; None where no weather was known. [h]
    not_assessed : sequence of str
        Hazards of which nothing could be said then.
    """
    remarks = []
    if not_assessed:
        names = ", ".join(HAZARDS[name].label for name in not_assessed)
        remarks.append(f"Not assessed at the end of the season, because no weather source told of it: {names}.")
    about = About(
        title=content.title,
        what=WHAT,
        yard=yard,
        as_of=as_of,
        data_age_h=data_age_h,
        version=version,
        credits=credits,
        remarks=tuple(remarks),
        basis=BASIS,
    )
    return render(
        "season_review.html",
        about,
        content=content,
        for_the_yard=FOR_THE_YARD,
        orders=_picture(content.orders),
        calibration=_picture(content.calibration),
        found=None if content.found is None else as_data_uri(grid_svg(content.found)),
    )


def _picture(chart: ShareChart | None) -> str | None:
    return None if chart is None else as_data_uri(shares_svg(chart))
