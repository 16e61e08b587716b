"""Board or driver? Every cause of a harmonic that is not the board, tested and ruled out.

- `sorted_takes`: the takes by what they are for.
- `lines`: their complex amplitudes, averaged; T(kf), what a mounted board passes on.
- `controls`: room, recorder, air, driver on the block.
- `uncertainty`: how far takes and mounts lie apart, and what makes an interval.
- `excess`: observed over predicted, with its interval; growth of a harmonic with the drive.
- `verdicts`: what that means, row by row.
- `attribute`: all of it for a study.

Verdicts, reasons and controls are codes (`codes.attribution`); their words are in
`words/en/attribution.j2` and `words/en/controls.j2`.
"""

from studylib.attribution.attribute import Attribution, attribute, attribute_study

__all__ = ["Attribution", "attribute", "attribute_study"]
