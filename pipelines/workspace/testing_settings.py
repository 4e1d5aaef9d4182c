"""Settings of the plan of the tests: the section [testing] of settings.toml."""

from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from data_contracts.entries import Entry

if TYPE_CHECKING:  # models take seconds to import
    from models.work import testing_plan
    from pipelines.workspace.settings import WorkshopSettings


class TestingSettings(Entry):
    """How often vans are tested, and how many a depot can take."""

    faults_per_van_year: Annotated[float, Field(gt=0, le=52)] = 0.3
    most_odds_unseen: Annotated[float, Field(gt=0, lt=1)] = 0.012
    longest_weeks: Annotated[int, Field(ge=1, le=26)] = 8
    tests_per_depot_week: Annotated[int, Field(ge=0)] = 12
    tests_of_depot: dict[str, Annotated[int, Field(ge=0)]] = Field(default_factory=dict)

    def for_models(self, workshop: "WorkshopSettings") -> "testing_plan.PlanningSettings":
        """As the plan of the tests takes them.

        Parameters
        ----------
        workshop : WorkshopSettings
            What a visit costs: handling and the van's time.
        """
        from models.work.testing_plan import PlanningSettings as ForModels

        return ForModels(
            faults_a_year=self.faults_per_van_year,
            most_odds_unseen=self.most_odds_unseen,
            longest_weeks=self.longest_weeks,
            per_depot_week=self.tests_per_depot_week,
            of_depot=self.tests_of_depot,
            visit_cost=workshop.visit_cost,
            horizon_weeks=workshop.horizon_weeks,
        )
