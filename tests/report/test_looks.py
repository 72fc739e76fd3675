"""How a report looks: on a phone, for who sees colours or nothing; colours of marks; one scale; words for halves and trough."""

from __future__ import annotations

import colorsys
import math
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.hearing.audiogram import COLOURS
from quietfloor.monitor.report import html, level_pictures, pdf, pictures, search_pictures
from quietfloor.monitor.report.blocks import blocks_of
from quietfloor.monitor.report.form import Drawing
from quietfloor.monitor.report.html import figure_of, report_html
from quietfloor.monitor.report.level_pictures import level_picture
from quietfloor.monitor.report.make import make_report
from quietfloor.monitor.report.material import read_material
from quietfloor.monitor.report.parts import Report
from quietfloor.monitor.report.pictures import MARK, NARROW_INCH, THRESHOLD, ladder_picture, waveform_picture
from tests.report.test_report import Page, page_words
from tests.synthetic import band_gain, wave_v_uv


@pytest.fixture(scope="module")
def report(made_session: Path) -> Report:
    return make_report(read_material(made_session, ["stapells-2000"]), suggest_marks=True)


@pytest.fixture(scope="module")
def searched(search_run: Path) -> Report:
    return make_report(read_material(search_run.parent), suggest_marks=True)


@pytest.fixture(scope="module")
def page(report: Report) -> Page:
    return Page(report_html(report))


def rgb(colour: str) -> tuple[float, float, float]:
    return tuple(int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))  # type: ignore[return-value]


def contrast(one: str, other: str) -> float:
    """WCAG 2.1, definitions of relative luminance and of contrast ratio (https://www.w3.org/TR/WCAG21/)."""
    def luminance(colour: str) -> float:
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb(colour)]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_text_stands_out_from_its_ground() -> None:
    """4.5:1 for text (WCAG 2.1, criterion 1.4.3)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    for text in (html.TEXT, html.SOFT, pdf.DARK, pdf.SOFT, MARK, THRESHOLD):
        for ground in (html.PAPER, html.CAUTION, "#f3f5f6"):
            assert contrast(text, ground) >= 4.5, (text, ground)
    used = set(re.findall(r"[^-]color: (#\w{6})", html.STYLE))
    assert used == {html.TEXT, html.SOFT}


def test_marks_and_lines_have_a_colour_that_is_no_ears() -> None:
    def hue(colour: str) -> float:
        return 360 * colorsys.rgb_to_hsv(*rgb(colour))[0]

    def grey(colour: str) -> bool:
        return colorsys.rgb_to_hsv(*rgb(colour))[1] < 0.4

    own = [MARK, THRESHOLD, *pictures.SINGLE, *(colour for _, colour in pictures.FOUND.values()), *search_pictures.WHY.values()]
    for colour in (*own, level_pictures.PUBLISHED, level_pictures.MODEL):
        for ear in COLOURS.values():
            apart = abs(hue(colour) - hue(ear)) % 360
            assert grey(colour) or min(apart, 360 - apart) >= 35, (colour, ear)


def test_the_page_says_its_language_and_its_width(page: Page) -> None:
    tags = dict(reversed(page.tags))
    assert tags["html"]["lang"] == "en"
    assert ("meta", {"name": "viewport", "content": "width=device-width, initial-scale=1"}) in page.tags
    ranks = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
    assert ranks[0] == 1
    assert ranks.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(ranks))
    assert all(attributes.get("aria-label") and attributes["role"] == "img" for tag, attributes in page.tags if tag == "svg")


def test_nothing_is_smaller_than_16_px() -> None:
    """Sizes in em are of the 16 px of the body."""
    screen = html.STYLE.split("@media print")[0]
    assert "font: 16px/1.5" in screen
    assert all(float(size) >= 1.0 for size in re.findall(r"font-size: ([\d.]+)em", screen))
    assert not re.findall(r"font-size: [\d.]+(?!\d|\.|em)", screen)


def test_a_table_is_stacked_on_a_phone_or_scrolls_in_its_frame(page: Page) -> None:
    """And a cell of a stacked one has the name of its column."""
    frames = [attributes for tag, attributes in page.tags if tag == "div" and attributes.get("class") == "wide"]
    tables = [attributes for tag, attributes in page.tags if tag == "table"]
    assert len(tables) == len(frames) + sum(attributes.get("class") == "stack" for attributes in tables)
    assert all(frame["tabindex"] == "0" and frame["aria-label"] for frame in frames)
    assert "overflow-x: auto" in html.STYLE
    heads = [attributes["data-head"] for tag, attributes in page.tags if tag == "td" and "data-head" in attributes]
    assert "threshold, dB nHL" in heads
    assert html.STYLE.count("{") == html.STYLE.count("}")


def test_pictures_of_a_phone_keep_their_words_within_and_readable(report: Report, searched: Report) -> None:
    """At 328 px, a screen of 360 less its margins, a letter of the picture has some 10 px and more."""
    for one in (report, searched):
        for drawing in (block for block in blocks_of(one) if isinstance(block, Drawing)):
            figure = figure_of(drawing, NARROW_INCH)
            figure.draw_without_rendering()
            px_per_point = 328 / (NARROW_INCH * 72)
            ticks = {id(label) for axes in figure.axes for label in ticks_of(axes)}
            for text in figure.findobj(lambda part: hasattr(part, "get_fontsize")):
                if not text.get_text().strip() or id(text) in ticks:  # of ticks there are some that are not drawn
                    continue
                assert text.get_fontsize() * px_per_point >= 9.5, text.get_text()
                box = text.get_window_extent()
                assert box.x0 >= -3, (drawing.said, text.get_text())
                assert box.x1 <= figure.bbox.width + 3, (drawing.said, text.get_text())


def ticks_of(axes: Any) -> list[Any]:
    ticks = (tick for axis in (axes.xaxis, axes.yaxis) for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks()))
    return [label for tick in ticks for label in (tick.label1, tick.label2)]


def lines_of(axes: Any, colour: str) -> list[Any]:
    return [line for line in axes.lines if line.get_color() == colour]


def test_averages_of_a_condition_are_on_one_scale(report: Report, searched: Report) -> None:
    for ladder in (*report.ladders, *searched.ladders):
        (axes,) = figure_of(Drawing("", waveform_picture(ladder))).axes
        drawn = [level for level in ladder.levels if len(level.times_ms)]
        curves = [line for line in axes.lines if line.get_linewidth() == 1.3 and line.get_color() == pictures.DARK]
        for line, level in zip(curves, drawn, strict=True):
            np.testing.assert_allclose(np.ptp(line.get_ydata()), np.ptp(level.average_nv))
        middles = [float(np.mean(line.get_ydata()[level.times_ms >= 1.0])) for line, level in zip(curves, drawn, strict=True)]
        assert middles == sorted(middles, reverse=True)
        assert [level.level_db_nhl for level in drawn] == sorted((level.level_db_nhl for level in drawn), key=lambda db: (
            -db if np.isfinite(db) else np.inf))  # fmt: skip


@pytest.mark.parametrize("width", [None, NARROW_INCH])
def test_the_threshold_line_is_seen(report: Report, searched: Report, width: float | None) -> None:
    """Between the averages from the threshold on and those below; in a ladder above the line that joins its runs."""
    for ladder in (*report.ladders, *searched.ladders):
        assert ladder.line is not None
        level_db, words = ladder.line
        drawing = Drawing("", waveform_picture(ladder))
        (axes,) = figure_of(drawing, *(() if width is None else (width,))).axes
        (line,) = lines_of(axes, THRESHOLD)
        y = line.get_ydata()[0]
        drawn = [level for level in ladder.levels if len(level.times_ms)]
        curves = [one for one in axes.lines if one.get_linewidth() == 1.3 and one.get_color() == pictures.DARK]
        for curve, level in zip(curves, drawn, strict=True):
            assert (np.mean(curve.get_ydata()) > y) == (level.level_db_nhl >= level_db)
        assert axes.get_ylim()[0] <= y <= axes.get_ylim()[1]
        assert words in [text.get_text() for text in axes.texts]
    (axes,) = figure_of(Drawing("", ladder_picture(report.ladders[0]))).axes
    (line,) = [one for one in lines_of(axes, THRESHOLD) if str(one.get_label()).startswith("threshold")]
    assert line.get_ydata()[0] == 50.0
    joined = next(one for one in axes.lines if one.get_color() == pictures.GREY)
    assert line.get_zorder() > joined.get_zorder()
    assert line.get_linewidth() > joined.get_linewidth()


def test_wave_v_against_level_beside_what_is_published(report: Report) -> None:
    """The published line is that of the table of norms, whose sources have tests of their own."""
    right, left = report.ladders
    latency, amplitude = figure_of(Drawing("", level_picture(right))).axes
    (mean,) = [line for line in latency.lines if line.get_label() == "published mean"]
    norms = report.material.norms
    for level, ms in zip(mean.get_xdata(), mean.get_ydata(), strict=True):
        norm = norms.latency("V", "tone-burst", float(level), "adult", frequency_hz=2000.0)
        assert norm is not None
        assert ms == norm.mean
    mark = right.levels[0].marks.get("V")
    assert mark is not None
    for axes, value in ((latency, mark.latency_ms.value), (amplitude, mark.amplitude_nv.value)):
        points = [line for line in lines_of(axes, MARK) if line.get_label() == "suggested"]
        assert [(line.get_xdata()[0], line.get_ydata()[0]) for line in points] == [(50.0, value)]
    # What the recordings were made with: a wave at 8 ms, 350 nV from peak to trough before the band of the analysis.
    wave_uv = wave_v_uv((np.arange(4096) - 2048) / 4.0, latency_ms=8.0, nv=350.0)  # at 4 kHz
    in_band_nv = 1e3 * np.fft.irfft(np.fft.rfft(wave_uv) * band_gain(np.fft.rfftfreq(4096, 1 / 4000.0)))
    assert mark.latency_ms.value == pytest.approx(8.0, abs=0.3)
    assert mark.amplitude_nv.value == pytest.approx(np.ptp(in_band_nv), abs=4 * math.sqrt(2) * right.levels[0].noise_nv)
    said = page_words(report)
    assert "Published: Neely et al. 1988" in said
    bands = figure_of(Drawing("", level_picture(left))).axes[0].collections
    assert [part.get_label() for part in bands].count("published range") == 1


def test_halves_and_trough_are_called_by_their_names(report: Report, searched: Report) -> None:
    for one in (report, searched):
        said = page_words(one)
        assert "V'" not in said
        assert "V′" not in said
        assert not re.search(r"\bhal(f|ves) [AB]\b|\b[AB] half\b", said)
        assert "trough after V" in said
        for ladder in one.ladders:
            (axes,) = figure_of(Drawing("", waveform_picture(ladder))).axes
            words = [part.get_text() for part in (*axes.texts, *axes.get_legend().get_texts())]
            assert not {"V'", "A", "B"} & set(words)
    (axes,) = figure_of(Drawing("", waveform_picture(searched.ladders[0]))).axes
    assert [part.get_text() for part in axes.get_legend().get_texts()] == ["average", "odd half", "even half"]
    assert "the odd and the even half of the sweeps" in page_words(searched)
