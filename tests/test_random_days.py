"""A few random days in this very process, each event held against the model in `tests/model/`.

`test_random_kitchens` lives through many more, in processes of their own; a fault that is put into the core by
`tests.bench.mutants` is seen here alone.
"""

import pytest

from tests.random_kitchen import lived

SEEDS = range(6)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_random_day_in_this_process_breaks_no_promise(seed: int) -> None:
    kitchen = lived(seed)
    assert kitchen.error is None, kitchen.error
