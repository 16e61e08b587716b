"""Board or driver? Every cause of a harmonic that is not the board, tested and ruled out.

- `lines`: complex amplitudes of takes, averaged over repeats.
- `spreads`: how far repeats and mounts lie apart.
- `transfers`: T(kf), what a mounted board passes on.
- `controls`: room, recorder, air, driver on the block.
- `excess`, `uncertainty`: observed over predicted, with its interval.
- `verdicts`, `reasons`, `advice`: what that means, in a sentence, and what to record next.
- `steps`: growth of a harmonic with the drive.
- `judged`: the table of all mounts with its verdicts.
- `sorted_takes`, `attribute`: all of it for a study.
"""

from studylib.attribution.attribute import Attribution, attribute, attribute_study
from studylib.attribution.judged import ATTRIBUTION_COLUMNS

__all__ = ["ATTRIBUTION_COLUMNS", "Attribution", "attribute", "attribute_study"]
