"""What wall thickness says, in words."""

from metrology.comparison.thickness import WallFigures
from metrology.comparison.words import place_words, share
from metrology.wording import quantity


def wall_sentence(found: WallFigures) -> str:
    """ "Both sides of 97 % of the walls were measured. The thinnest is 11.42 mm at x 12, y 0, z 30 mm, sure to 0.21
    mm; 12.00 mm is nominal there." And what is most too thin, where that is another place."""
    if found.walls == 0:
        return "There is no wall here: nothing near faces back within 60°."
    if found.measured == 0:
        return "No wall was measured from both sides: scan the other side in the same go, or bring both scans together."
    said = (
        f"Both sides of {share(found.measured)} of the walls were measured. "
        f"The thinnest is {quantity(found.least, 'mm', 2)} {place_words(None, found.least_at + 0.0)}, sure to "
        f"{quantity(found.least_uncertainty, 'mm', 2)}; {quantity(found.least_nominal, 'mm', 2)} is nominal there."
    )
    if found.loss >= 0:
        return f"{said} Nowhere is a wall thinner than nominal."
    loss = f"{quantity(-found.loss, 'mm', 2)} too thin"
    if (found.loss_at == found.least_at).all():
        return f"{said} It is {loss}, more than anywhere else."
    return (
        f"{said} Most is lost {place_words(None, found.loss_at + 0.0)}: {loss} for "
        f"{quantity(found.loss_nominal, 'mm', 2)}, sure to {quantity(found.loss_uncertainty, 'mm', 2)}."
    )
