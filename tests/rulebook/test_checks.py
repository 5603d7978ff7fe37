"""What can be told of a rulebook without a limb."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from rectify.errors import Faults, RulesError
from rectify.rulebook.checks import Finding, check_rulebook
from rectify.rulebook.load import list_rulebooks, load_rulebook
from tests.rulebook.books import BAR, HEAD_UP, book_text, line_of, load_text

CLEAN = BAR + HEAD_UP


def found(tmp_path: Path, regions: str, more: str = "") -> dict[str, Finding]:
    return {finding.code: finding for finding in check_rulebook(load_text(tmp_path, book_text(regions, more=more)))}


def refused(tmp_path: Path, regions: str, match: str, more: str = "") -> RulesError:
    with pytest.raises((RulesError, Faults), match=match) as caught:
        load_text(tmp_path, book_text(regions, more=more))
    error = caught.value.errors[0] if isinstance(caught.value, Faults) else caught.value
    assert isinstance(error, RulesError)
    return error


def test_a_clean_rulebook_has_no_findings(tmp_path: Path) -> None:
    assert found(tmp_path, CLEAN, "limits: {reduction: 8 mm, build-up: 8 mm}\n") == {}


@pytest.mark.parametrize(
    ("amount", "feather", "verdict"),
    [
        ("5 mm", "13.4 mm", None),  # 34.98 deg
        ("5 mm", "13.38 mm", "steep"),  # 35.02 deg
        ("5 mm", "9.38 mm", "steep"),  # 44.99 deg
        ("5 mm", "9.37 mm", "refused"),  # 45.01 deg
        ("0 mm", "0 mm", None),
    ],
)
def test_slopes_warn_above_35_degrees_and_are_refused_above_45(
    tmp_path: Path, amount: str, feather: str, verdict: str | None
) -> None:
    text = (
        BAR.replace("amount: 5 mm", f"amount: {amount}")
        .replace("16 mm", feather)
        .replace("    allow: [2 mm, 7 mm]\n", "")
    )
    if verdict == "refused":
        error = refused(tmp_path, text, "makes an edge too steep")
        assert (error.line, error.key) == (line_of(book_text(text), "feather:"), "regions.bar.feather")
        assert error.wanted == "at most 45 deg: a feather of 9.4 mm"
        return
    slope = found(tmp_path, text).get("slope")
    assert (slope is not None) is (verdict == "steep")
    assert slope is None or not slope.refused


def test_a_rulebook_s_own_slope_limit_counts(tmp_path: Path) -> None:
    refused(tmp_path, BAR, r"at most 30 deg: a feather of 16\.3 mm", "limits: {slope: 30 deg}\n")


def test_the_feather_counts_as_held(tmp_path: Path) -> None:
    narrow = BAR.replace("along: 36 mm", "along: 24 mm")
    held = found(tmp_path, narrow)
    assert held["feather-held"].error.message == "does not fit and is held to 10.5 mm"
    assert (
        held["slope"].error.found == f"5 mm over 10.5 mm is {math.degrees(math.atan(1.875 * 5 / 10.5)):.1f} deg steep"
    )
    error = refused(tmp_path, BAR.replace("along: 36 mm", "along: 20 mm"), "too steep")
    assert error.wanted == "at most 45 deg: a feather of 9.4 mm, in a region at least 22 mm across"


def test_a_feather_outside_always_fits(tmp_path: Path) -> None:
    assert found(tmp_path, HEAD_UP.replace("feather: 12 mm", "feather: 60 mm")) == {}
    inside = HEAD_UP.replace("feather: 12 mm", "feather: 14 mm") + "    blend: inside\n"
    assert found(tmp_path, inside)["feather-held"].error.message == "does not fit and is held to 13.5 mm"


def test_a_share_of_radius_is_judged_at_the_most_its_allow_permits(tmp_path: Path) -> None:
    share = BAR.replace("amount: 5 mm", "amount: 8 % of radius")
    assert found(tmp_path, share)["slope"].error.found is not None
    refused(tmp_path, share.replace("[2 mm, 7 mm]", "[2 mm, 9 mm]"), "9 mm over 16 mm is 46.5 deg steep")


def test_factors_above_one_count_as_far_as_allow_lets_them(tmp_path: Path) -> None:
    when = "    when: {tissue: {soft: 1.5}, shaping: {none: 1.2, hand: 0.5}}\n"
    slope = found(tmp_path, BAR + when)["slope"]
    assert slope.error.found is not None and slope.error.found.startswith("7 mm over 16 mm")
    free = BAR.replace("    allow: [2 mm, 7 mm]\n", "")
    refused(tmp_path, free + when.replace("1.5", "1.8"), r"10\.8 mm over 16 mm is 51\.7 deg")


def test_an_allow_that_its_feather_cannot_carry_is_said(tmp_path: Path) -> None:
    finding = found(tmp_path, BAR.replace("[2 mm, 7 mm]", "[2 mm, 9 mm]"))["allow-steep"]
    assert finding.error.wanted == "a feather of 16.9 mm"


@pytest.mark.parametrize(
    ("at", "bony"),
    [("tibial-tubercle", True), ("medial-tibial-flare", True), ("popliteal", False),
     ("tibial-tubercle\n    lateral: 20 mm", False),
     ("tibial-tubercle\n    angle: 180 deg", False)],
)  # fmt: skip
def test_a_share_of_radius_over_bone_is_said(tmp_path: Path, at: str, bony: bool) -> None:
    share = BAR.replace("amount: 5 mm", "amount: 8 % of radius").replace("mid-patellar-tendon", at)
    assert ("share-over-bone" in found(tmp_path, share)) is bony
    assert "share-over-bone" not in found(tmp_path, BAR.replace("mid-patellar-tendon", at))


@pytest.mark.parametrize(
    ("regions", "more"),
    [
        (BAR.replace("mid-patellar-tendon", "fibular-neck"), "protected: [fibular-neck]\n"),
        (BAR.replace("mid-patellar-tendon", "fibular-neck\n    distal: 17 mm"), "protected: [fibular-neck]\n"),
        (
            BAR.replace("at: mid-patellar-tendon", "path: [fibular-neck, distal-fibula]").replace(
                "{oval: {along: 36 mm, around: 50 mm}}", "{strip: {width: 36 mm}}"
            ),
            "protected: [fibular-neck]\n",
        ),
    ],
)
def test_a_reduction_laid_on_a_protected_landmark_is_refused(tmp_path: Path, regions: str, more: str) -> None:
    error = refused(tmp_path, regions, "reaches the protected fibular-neck", more)
    assert error.hint is not None and "keep-clear: {of: fibular-neck, by: 6 mm}" in error.hint


@pytest.mark.parametrize(
    "regions",
    [
        BAR.replace("mid-patellar-tendon", "fibular-neck\n    distal: 19 mm"),
        BAR.replace("mid-patellar-tendon", "fibular-neck") + "    keep-clear: {of: fibular-neck, by: 6 mm}\n",
        BAR.replace("at: mid-patellar-tendon", "path: [fibular-neck, distal-fibula]\n    posterior: 19 mm").replace(
            "{oval: {along: 36 mm, around: 50 mm}}", "{strip: {width: 36 mm}}"
        ),
        BAR.replace("at: mid-patellar-tendon", "path: [{at: fibular-neck, along-path: 30 mm}, distal-fibula]").replace(
            "{oval: {along: 36 mm, around: 50 mm}}", "{strip: {width: 36 mm}}"
        ),
        HEAD_UP.replace("at: fibular-head", "at: fibular-neck"),
    ],
)
def test_a_region_clear_of_a_protected_landmark_is_not(tmp_path: Path, regions: str) -> None:
    assert "reaches-protected" not in found(tmp_path, regions, "protected: [fibular-neck]\n")


def test_a_factor_on_shaping_is_refused_in_a_build_up_only(tmp_path: Path) -> None:
    when = "    when: {shaping: {hand: 0.5}}\n"
    assert found(tmp_path, BAR + when) == {}
    refused(tmp_path, HEAD_UP + when, r"fibular-head\.when\.shaping: is a factor on a build-up")
    assert found(tmp_path, HEAD_UP + "    when: {shaping: [hand, none]}\n") == {}


def test_what_lacks_evidence_or_allow_is_said(tmp_path: Path) -> None:
    bare = BAR.replace("    evidence: common practice\n", "").replace("    allow: [2 mm, 7 mm]\n", "")
    more = "overall: {basis: volume, rows: [{at: inflection, reduce: 3 %}]}\n"
    findings = check_rulebook(load_text(tmp_path, book_text(bare, more=more)))
    assert [(f.code, f.error.key) for f in findings] == [
        ("no-evidence", "regions.bar"), ("no-allow", "regions.bar"), ("no-evidence", "overall"),
    ]  # fmt: skip


def test_amounts_past_the_rulebook_s_own_limits(tmp_path: Path) -> None:
    refused(tmp_path, BAR, r"bar\.amount: can be 5 mm, past the rulebook's own limit", "limits: {reduction: 4 mm}\n")
    assert "allow-past-limit" in found(tmp_path, BAR, "limits: {reduction: 6 mm}\n")
    assert found(tmp_path, BAR, "limits: {build-up: 1 mm}\n") == {}


@pytest.mark.parametrize(
    ("basis", "percent", "past"),
    [("volume", 9.0, False), ("volume", 9.1, True), ("circumference", 4.6, False), ("circumference", 4.7, True)],
)
def test_rows_against_the_limit_of_volume(tmp_path: Path, basis: str, percent: float, past: bool) -> None:
    # 4.6 % of circumference is 8.99 % of volume, 4.7 % is 9.18 %
    row = f"{{at: inflection, reduce: {percent} %}}"
    more = f"overall: {{basis: {basis}, evidence: common practice, rows: [{row}]}}\nlimits: {{volume: [-9 %, 4 %]}}\n"
    assert ("past-limit" in found(tmp_path, BAR, more)) is past


@pytest.mark.parametrize(("most", "told"), [(9.0, False), (9.1, True)])
def test_what_tuning_may_reach_in_a_row_against_the_limit_of_volume(tmp_path: Path, most: float, told: bool) -> None:
    row = f"{{at: inflection, reduce: 3 %, allow: [1 %, {most} %]}}"
    more = f"overall: {{basis: volume, evidence: common practice, rows: [{row}]}}\nlimits: {{volume: [-9 %, 4 %]}}\n"
    finding = found(tmp_path, BAR, more).get("allow-past-limit")
    assert (finding is not None) is told
    if finding is not None:
        said = finding.error
        assert (said.key, said.message) == (
            "overall.rows[0].allow", "reaches 9.1 %: 9.1 % of the volume of that level",
        )  # fmt: skip


@pytest.mark.parametrize(
    ("end", "code", "key", "message"),
    [
        ("{lengthen: 3 mm, allow: [0 mm, 8 mm]}", None, "", ""),
        ("{lengthen: 3 mm, allow: [0 mm, 9 mm]}", "allow-past-limit", "end.allow", "reaches 9 mm"),
        ("{pad: 9 mm}", "past-limit", "end.pad", "reaches 9 mm"),
    ],
)
def test_what_is_done_to_the_end_against_the_limit_of_build_ups(
    tmp_path: Path, end: str, code: str | None, key: str, message: str
) -> None:
    findings = found(tmp_path, BAR, f"end: {end}\nlimits: {{build-up: 8 mm}}\n")
    assert set(findings) == (set() if code is None else {code})
    if code is not None:
        said = findings[code].error
        assert (said.key, said.message, said.line) == (key, message + ", past the rulebook's own limit", 6)


@pytest.mark.parametrize(("distal", "noted"), [(30.0, True), (33.8, True), (33.9, False), (60.0, False)])
def test_ovals_about_one_landmark_need_room_for_both_slopes(tmp_path: Path, distal: float, noted: bool) -> None:
    # from the core of the bar (18 - 16 mm) to the other's outline (15 mm): distal - 17; needed 1.875 * 9 = 16.875
    other = HEAD_UP.replace("at: fibular-head", f"at: mid-patellar-tendon\n    distal: {distal} mm")
    assert ("opposed-neighbours" in found(tmp_path, BAR + other)) is noted


def test_strips_beside_one_path_need_room_for_both_slopes(tmp_path: Path) -> None:
    def strips(lateral: float) -> str:
        path, oval = "path: [tibial-tubercle, tibial-crest, distal-tibia]", "{oval: {along: 36 mm, around: 50 mm}}"
        down = BAR.replace("at: mid-patellar-tendon", f"{path}\n    lateral: {lateral} mm").replace(
            oval, "{strip: {width: 36 mm}}"
        )
        up = HEAD_UP.replace("at: fibular-head", path).replace("{oval: 30 mm}", "{strip: {width: 12 mm}}")
        return down + up

    # core half 2 mm, outline half 6 mm: lateral - 8 against 16.875
    assert "opposed-neighbours" in found(tmp_path, strips(24.8))
    assert "opposed-neighbours" not in found(tmp_path, strips(24.9))


def test_a_line_where_a_point_is_asked_for_is_said(tmp_path: Path) -> None:
    assert "line-without-part" in found(tmp_path, HEAD_UP.replace("at: fibular-head", "at: popliteal-crease"))
    assert "line-without-part" not in found(
        tmp_path, HEAD_UP.replace("at: fibular-head", "at: popliteal-crease\n    part: 50 %")
    )


def test_findings_become_warnings_of_a_plan(tmp_path: Path) -> None:
    warn = found(tmp_path, BAR.replace("16 mm", "13 mm"))["slope"].warn()
    assert (warn.code, warn.severity, warn.where) == ("slope", "note", "regions.bar.feather")
    assert warn.message.startswith("makes a steep edge; at most 35 deg")


def test_every_refused_fault_is_told_at_once(tmp_path: Path) -> None:
    text = book_text(
        BAR.replace("16 mm", "9 mm") + HEAD_UP.replace("12 mm", "7 mm"), more="limits: {reduction: 4 mm}\n"
    )
    with pytest.raises(Faults) as caught:
        load_text(tmp_path, text)
    assert [error.key for error in caught.value.errors] == [
        "regions.bar.feather", "regions.bar.amount", "regions.fibular-head.feather",
    ]  # fmt: skip


def test_no_shipped_rulebook_is_steep_past_its_limits_or_without_evidence() -> None:
    codes = {finding.code for name in list_rulebooks() for finding in check_rulebook(load_rulebook(name))}
    assert not codes & {
        "no-evidence",
        "no-allow",
        "share-over-bone",
        "allow-past-limit",
        "past-limit",
        "line-without-part",
    }
