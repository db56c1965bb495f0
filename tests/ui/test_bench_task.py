"""Long work beside the window."""

import threading

from monitor.ui.bench_task import Task


def test_a_task_that_is_ended_has_ended_when_its_window_goes(qapp):
    task, told = Task(), threading.Event()

    def work(progress):
        while True:
            progress(0.5)
            told.set()
            threading.Event().wait(0.01)
    task.run(work)
    told.wait()
    task.end()

    assert not task.is_running


def test_ending_a_task_that_never_ran_is_nothing(qapp):
    task = Task()
    task.end()

    assert not task.is_running
