import numpy as np
import pytest

from asfound.budget import line_verdicts, shot_verdicts
from asfound.model import Findings, Rule, RuleOutcome, Severity, Verdict


def finding(subject, *pairs):
    index, severity = zip(*pairs, strict=True) if pairs else ((), ())
    unknown = np.full(len(index), np.nan)
    return RuleOutcome(
        Rule("a-rule", "", "", "", "", "", subject),
        np.array(index, np.int64),
        np.array(severity, np.int8),
        unknown,
        unknown,
    )


def test_a_shots_gravest_finding_decides():
    findings = Findings(
        (
            finding("shot", (0, Severity.NOTE), (1, Severity.DOUBT), (2, Severity.FAIL)),
            finding("shot", (1, Severity.NOTE), (2, Severity.DOUBT), (3, Severity.DOUBT)),
        )
    )
    expected = [Verdict.SOUND, Verdict.DOUBTFUL, Verdict.UNFIT, Verdict.DOUBTFUL, Verdict.SOUND]
    assert shot_verdicts(findings, 5).tolist() == expected


def test_findings_about_uploads_lines_and_the_job_leave_shots_alone():
    findings = Findings(
        tuple(finding(subject, (0, Severity.FAIL)) for subject in ("source", "line", "job"))
    )
    assert shot_verdicts(findings, 2).tolist() == [Verdict.SOUND] * 2


def test_no_shots_have_no_verdicts():
    assert shot_verdicts(Findings(()), 0).shape == (0,)


@pytest.mark.parametrize(
    ("unfit", "doubtful", "expected"),
    [
        (0, 0, Verdict.SOUND),
        (0, 3, Verdict.SOUND),
        (0, 4, Verdict.DOUBTFUL),
        (4, 0, Verdict.DOUBTFUL),
        (5, 0, Verdict.DOUBTFUL),
        (6, 0, Verdict.UNFIT),
    ],
)
def test_a_line_is_as_good_as_most_of_its_shots(survey, straight, unfit, doubtful, expected):
    scene = survey(straight(count=10))
    verdict = np.zeros(10, np.int8)
    verdict[:unfit] = Verdict.UNFIT
    verdict[unfit : unfit + doubtful] = Verdict.DOUBTFUL
    assert line_verdicts(Findings(()), scene.assembly, verdict).tolist() == [expected]


def test_a_finding_about_a_line_goes_before_its_shots(survey, straight):
    scene = survey(straight(count=5), straight((0, 9), count=5))
    sound = np.zeros(10, np.int8)
    findings = Findings((finding("line", (1, Severity.FAIL)),))
    assert line_verdicts(findings, scene.assembly, sound).tolist() == [
        Verdict.SOUND,
        Verdict.UNFIT,
    ]


def test_no_lines_have_no_verdicts(survey):
    scene = survey()
    assert line_verdicts(Findings(()), scene.assembly, np.empty(0, np.int8)).shape == (0,)
