"""Tables of named columns: the record, the empty table and its columns agree, whatever fills it."""

from typing import NamedTuple

import numpy as np

from models.statistics.arrays import Floats
from models.statistics.records import columns_of, empty_table, record_of


class Spot(NamedTuple):
    at: Floats
    level: Floats


class Two(NamedTuple):
    first: Spot
    ratio: Floats


def test_columns_are_views_of_the_table_under_their_names():
    table = empty_table(Two, 3)
    assert table.dtype == record_of(Two)
    columns = columns_of(Two, table)
    assert np.isnan(columns.first.level).all()
    table[1]["first"]["level"] = 2.5
    table["ratio"] = [1.0, 2.0, 3.0]
    assert columns.first.level[1] == 2.5
    assert columns.ratio.tolist() == [1.0, 2.0, 3.0]
    assert columns_of(Two, empty_table(Two, 0)).first.at.shape == (0,)
