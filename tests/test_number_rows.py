import pytest

from anechain.number_rows import numbers_of_line


@pytest.mark.parametrize(
    ("line", "numbers"),
    [
        ("100 -3.5", [100, -3.5]),
        ("100\t-3.5\t20", [100, -3.5, 20]),
        ("100;-3,5", [100, -3.5]),
        ("100,5 -3,5", [100.5, -3.5]),
        ("100,-3.5", [100, -3.5]),
        ("100, -3.5", [100, -3.5]),
        ("100,3", [100, 3]),
        ("1e3; -0,25;", [1000, -0.25]),
        ("100, 3, 5", [100, 3, 5]),
        ("100", [100]),
        ("", []),
        ("Hz dB", None),
        ("100 dB", None),
        ("1,2,3 4", None),
    ],
)
def test_numbers_with_points_and_with_commas(line, numbers):
    assert numbers_of_line(line) == numbers
