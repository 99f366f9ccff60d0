import cv2
import numpy as np

from shared.card import RUNS
from shared.markers import CODE_CELLS, marker_cells


def test_table_is_the_detectors_dictionary() -> None:
    """The gate for every change of OpenCV: all 587 codes, in the orientation of OpenCV up to 5.0."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    assert len(family.bytesList) == 587 >= 4 * len(RUNS)
    for code in range(587):
        bits = cv2.aruco.Dictionary.getBitsFromByteList(family.bytesList[code : code + 1], CODE_CELLS)
        cells = marker_cells(code)
        assert np.array_equal(cells[1:-1, 1:-1], bits == 1)
        assert not cells[[0, -1]].any()
        assert not cells[:, [0, -1]].any()


def test_codes_stay_eleven_cells_apart_however_turned() -> None:
    """The 11 of 36h11 (Olson 2011): no turn of one code comes closer to another."""
    codes = np.array([marker_cells(code)[1:-1, 1:-1] for code in range(587)])
    for turn in range(4):
        turned = np.rot90(codes, turn, axes=(1, 2)).reshape(587, -1)
        apart = (turned[:, None] != codes.reshape(587, -1)).sum(axis=2)
        if turn == 0:
            np.fill_diagonal(apart, 36)
        assert apart.min() >= 11
