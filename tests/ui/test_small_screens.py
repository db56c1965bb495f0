"""Small screens and large scales: every window fits, and what has no room scrolls or says it in fewer words."""

import itertools

import numpy as np
import pytest
from PyQt6.QtGui import QColor, QFontMetrics
from PyQt6.QtWidgets import QApplication, QLabel, QVBoxLayout, QWidget

from monitor.ui.review_lanes import BarLane, Curve, CurveLane
from monitor.ui.review_timeline import Timeline
from monitor.ui.review_window import ReviewWindow
from monitor.ui.scroll import Scrolling
from monitor.ui.theme import look
from tests.ui.test_bench_safe import compare_window
from tests.ui.test_bench_window import make

SMALLEST = 640, 360  # 1280 x 720 at 200 %


@pytest.mark.parametrize("screen, scale", [((1366, 768), 1.5), ((1280, 720), 2.0), ((1366, 768), 2.0)])
@pytest.mark.parametrize("page", ["guide", "setup", "hot"])
def test_every_page_of_the_bench_fits_small_screens_at_a_large_scale(qtbot, tmp_path, screen, scale, page):
    window = make(qtbot, tmp_path, start=False, page=page)
    # what is left of the screen in the window's own pixels
    window.resize(round(screen[0] / scale), round(screen[1] / scale))
    QApplication.processEvents()

    assert window.width() <= screen[0] / scale + 1 and window.height() <= screen[1] / scale + 1


@pytest.mark.parametrize("screen, scale", [((1280, 720), 1.5), ((1366, 768), 2.0)])
def test_the_compare_window_fits_small_screens_at_a_large_scale(qtbot, screen, scale):
    window = compare_window()
    qtbot.addWidget(window)
    window.resize(round(screen[0] / scale), round(screen[1] / scale))
    window.show()

    assert window.width() <= screen[0] / scale + 1 and window.height() <= screen[1] / scale + 1
    assert window.table.height() >= 60


@pytest.mark.parametrize("name", ["marks", "loupe"])
def test_what_stands_beside_the_transport_is_not_cut_on_a_small_screen(qtbot, name):
    window = ReviewWindow()
    qtbot.addWidget(window)
    window.resize(900, 600)
    window.show()
    QApplication.processEvents()
    made = window.marks if name == "marks" else window.loupe.button

    assert made.width() >= made.sizeHint().width()
    assert made.mapTo(window, made.rect().topRight()).x() <= window.tabs.mapTo(window, window.tabs.rect().topLeft()).x()


def test_set_up_is_seen_in_its_whole_width_on_a_small_screen(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False, page="setup")
    window.resize(960, 540)
    for tab in range(window.setup.tabs.count()):
        window.setup.tabs.setCurrentIndex(tab)
        QApplication.processEvents()
        assert window.setup.area.horizontalScrollBar().maximum() == 0, tab


def test_the_steps_of_the_first_run_are_not_cut_at_the_side(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False, page="guide", inputs=None)
    window.resize(911, 512)
    for n in range(len(window.guide.steps)):
        window.guide.go_to(n)
        QApplication.processEvents()
        inner = window.guide.stack.parentWidget()
        assert inner.width() <= inner.parentWidget().width(), window.guide.steps[n].title


def test_the_review_window_fits_small_screens_at_a_large_scale(qtbot):
    window = ReviewWindow()
    qtbot.addWidget(window)
    window.resize(*SMALLEST)
    window.show()

    assert (window.width(), window.height()) == SMALLEST
    assert window.centralWidget().horizontalScrollBar().maximum() > 0


def page_of(*heights):
    page = QWidget()
    column = QVBoxLayout(page)
    column.setContentsMargins(0, 0, 0, 0)
    for height in heights:
        part = QWidget()
        part.setMinimumSize(200, height)
        column.addWidget(part)
    column.setSpacing(0)
    return page


@pytest.mark.parametrize("size, down, across", [((300, 400), 0, 0), ((300, 200), 100, 0), ((150, 400), 0, 50)])
def test_a_page_scrolls_only_where_it_is_larger_than_its_area(qtbot, size, down, across):
    area = Scrolling(page_of(100, 200))
    qtbot.addWidget(area)
    area.resize(*size)
    area.show()

    assert (area.verticalScrollBar().maximum(), area.horizontalScrollBar().maximum()) == (down, across)
    assert area.widget().height() >= 300


def test_wrapped_text_is_given_all_its_lines(qtbot):
    page, label = QWidget(), QLabel("many words that need several lines " * 8)
    label.setWordWrap(True)
    QVBoxLayout(page).addWidget(label)
    area = Scrolling(page)
    qtbot.addWidget(area)
    area.resize(260, 60)
    area.show()

    assert label.height() >= label.heightForWidth(label.width()) > 60


def test_a_page_that_grows_scrolls_at_once(qtbot):
    page = page_of(100)
    area = Scrolling(page)
    qtbot.addWidget(area)
    area.resize(300, 150)
    area.show()
    more = QWidget()
    more.setMinimumHeight(200)
    page.layout().addWidget(more)
    qtbot.waitUntil(lambda: area.verticalScrollBar().maximum() == 150)


@pytest.mark.parametrize("width, named", [(1366, "Set up (F2)"), (640, "Set up")])
def test_a_narrow_bar_leaves_out_the_keys_and_keeps_its_state_readable(qtbot, tmp_path, width, named):
    window = make(qtbot, tmp_path, start=False, page="hot")
    window.resize(width, 400)
    QApplication.processEvents()

    assert window.to_setup.text() == named and window.to_setup.toolTip() == "Set up (F2)"
    assert window.bar_text.width() >= 120


def test_what_is_missing_takes_a_third_of_the_page_at_most(qtbot, tmp_path):
    guide = make(qtbot, tmp_path, start=False, page="guide", inputs=None).guide
    guide.window().resize(*SMALLEST)
    QApplication.processEvents()
    short, long = "turn it", "far for this nozzle: heights to 2.5 mm only (1 sigma); a third nearer 1.1 mm"
    sizes = {}
    for text in (short, long):
        guide.say_missing(text)
        sizes[text] = guide.missing.font().pointSizeF()
        wrapped = QFontMetrics(guide.missing.font()).boundingRect(0, 0, guide.missing.width(), 0, 0x1000, text)
        assert wrapped.height() <= guide.height() / 3

    assert sizes[short] > sizes[long]


def lanes():
    """A flat line at the top of its scale, in a lane with two names, among others."""
    t_s = np.linspace(0.0, 10.0, 200)
    flat, low = np.full((200, 3), 100.0), np.full((200, 3), 2.0)
    return [BarLane("passes"), CurveLane("height", "mm", (Curve("", t_s, low),), (5.0, 20.0), 2.2),
            CurveLane("temperature", "C", (Curve("joint", t_s, flat, 1), Curve("chip", t_s, low, 2)), weight=1.9,
                      is_rising=True),
            BarLane("notes")]


@pytest.fixture(params=[190, 600])
def timeline(request, qtbot):
    made = Timeline()
    qtbot.addWidget(made)
    made.resize(900, request.param)
    made.set_whole(0.0, 10.0, 0.05)
    made.set_lanes(lanes())
    made.set_cursor(9.9)
    made.show()
    return made


def test_lanes_end_above_the_time_axis(timeline):
    boxes = [box for _, box in timeline.boxes()]

    assert boxes[-1].bottom() <= timeline.height() - timeline.axis_px
    assert all(a.bottom() < b.top() for a, b in itertools.pairwise(boxes))


def test_a_window_too_low_for_all_lanes_is_asked_for_more_room(qtbot):
    made = Timeline()
    qtbot.addWidget(made)
    made.set_lanes(lanes() * 4)
    made.resize(900, made.minimumHeight())

    assert made.minimumHeight() > 190 and made.boxes()[-1][1].bottom() <= made.height() - made.axis_px


def test_names_of_curves_lie_above_their_lane_and_not_over_its_lines(timeline):
    image = timeline.grab().toImage()
    box = timeline.boxes()[2][1]
    line, rows = QColor(look().series[1]), range(int(box.top()), int(box.bottom()))
    columns = range(int(box.left()) + 16, int(box.left()) + 216, 4)  # where names would stand within the lane

    assert all(any(_near(image.pixelColor(x, y), line) for y in rows) for x in columns)


def _near(a: QColor, b: QColor) -> bool:
    return max(abs(a.red() - b.red()), abs(a.green() - b.green()), abs(a.blue() - b.blue())) < 60


def test_a_short_step_of_the_first_run_does_not_scroll_because_another_is_long(qtbot, tmp_path):
    guide = make(qtbot, tmp_path, start=False, page="guide", inputs=None).guide
    guide.window().resize(853, 480)
    scrolls = {}
    for n, step in enumerate(guide.steps):
        guide.go_to(n)
        QApplication.processEvents()
        area = guide.stack.parentWidget().parentWidget().parentWidget()
        scrolls[step.title] = area.verticalScrollBar().maximum() > 0

    assert scrolls["Nozzle"] and not scrolls["Paper"]
