"""What is printed, read back from the PDF as a camera would see it: markers and corners at their true places, on both
page sizes.
"""

import cv2
import numpy as np
import pytest
from PyQt6.QtCore import QBuffer, QByteArray, QIODevice, QSize
from PyQt6.QtGui import QImage
from PyQt6.QtPdf import QPdfDocument

from monitor.cli.main import main
from monitor.setup.camera_guide import LENS_BOARD
from monitor.setup.paper import PAGES_MM, paper_pdf
from vision.bench.follower import find_markers
from vision.bench.mat import standard_mat
from vision.calibrate.lens import find_target

PX_PER_MM = 8.0


@pytest.fixture(scope="module", params=["A4", "Letter"])
def sheets(request, qapp):
    """Both sheets of a page size as grey pictures."""
    store = QBuffer()
    store.setData(QByteArray(paper_pdf(standard_mat(), request.param)))
    store.open(QIODevice.OpenModeFlag.ReadOnly)
    document = QPdfDocument(None)
    document.load(store)
    size = [round(s * PX_PER_MM) for s in PAGES_MM[request.param]]
    drawn = []
    for page in range(document.pageCount()):
        image = document.render(page, QSize(*size)).convertToFormat(QImage.Format.Format_RGBA8888)
        rgba = np.frombuffer(image.constBits().asstring(image.sizeInBytes()), np.uint8).reshape(size[1], size[0],
                                                                                                4).astype(float)
        opaque = rgba[..., 3:] / 255
        drawn.append(cv2.cvtColor((rgba[..., :3] * opaque + 255 * (1 - opaque)).astype(np.uint8), cv2.COLOR_RGB2GRAY))
    points = document.pagePointSize(0)
    return drawn, np.array([points.width(), points.height()]) * 25.4 / 72, PAGES_MM[request.param]


def test_the_pages_have_their_size(sheets):
    assert sheets[1] == pytest.approx(sheets[2], abs=0.2) and len(sheets[0]) == 2


def test_every_marker_of_the_mat_lies_at_its_place(sheets):
    grey, mat = sheets[0][0], standard_mat()
    found = find_markers(grey, mat)

    assert sorted(found) == sorted(mat.ids.tolist())
    for marker_id, px in found.items():
        mm = (px + 0.5 - np.array(grey.shape[::-1]) / 2) / PX_PER_MM * (1, -1)
        np.testing.assert_allclose(mm, mat.corners_mm(marker_id)[:, :2], atol=0.1)


def test_the_lens_board_is_found_whole_and_true_to_size(sheets):
    view = find_target(cv2.cvtColor(sheets[0][1], cv2.COLOR_GRAY2BGR), LENS_BOARD)

    assert len(view.points_px) == 40  # 8 by 5 inner corners
    spread = [np.linalg.norm(points - points.mean(0)) for points in (view.points_mm[:, :2], view.points_px)]
    assert spread[1] / spread[0] / PX_PER_MM == pytest.approx(1.0, abs=2e-3)  # the rendered page is cut to whole pixels


def test_the_check_line_is_a_hundred_millimetres(sheets):
    for grey in sheets[0]:
        mm = [np.flatnonzero(row < 128) for row in grey if 90 * PX_PER_MM < np.sum(row < 160) < 110 * PX_PER_MM]
        spans = [np.ptp(row) / PX_PER_MM for row in mm if len(row) == np.ptp(row) + 1]
        assert any(span == pytest.approx(100.0, abs=0.3) for span in spans)


def test_the_check_line_has_a_tick_at_each_end_to_lay_the_ruler_on(sheets):
    for grey in sheets[0]:
        row = next(y for y in range(len(grey)) if _is_line(grey[y]))
        ends = np.flatnonzero(grey[row] < 128)[[0, -1]]
        for x in ends:
            across = grey[:, max(x - 1, 0):x + 2].min(1) < 160
            up, down = (np.argmin(across[row::step]) - 1 for step in (-1, 1))
            assert (up / PX_PER_MM, down / PX_PER_MM) == pytest.approx((2.0, 2.0), abs=0.5)


def _is_line(row) -> bool:
    dark = np.flatnonzero(row < 128)
    return 90 * PX_PER_MM < len(dark) < 110 * PX_PER_MM and len(dark) == np.ptp(dark) + 1


def test_the_command_writes_one_file(tmp_path, capsys):
    assert main(["calibrate", "paper", "--out", str(tmp_path / "paper.pdf"), "--page", "Letter"]) == 0

    assert (tmp_path / "paper.pdf").read_bytes().startswith(b"%PDF") and "100 mm" in capsys.readouterr().out
