"""Small tables that cannot be read, or not in only one way, each with the reason.

All readings are invented.
"""

# name: (text, columns, pattern of the error)
REFUSED = {
    "empty": ("", {}, r"it is empty; give a table"),
    "blank lines only": ("\n \n\n", {}, r"it is empty"),
    "heading only": ("U,I\n", {}, r"no reading below the heading; add rows"),
    "heading and units only": ("U,I\nV,mA\n", {}, r"no reading below the heading"),
    "heading and blank rows only": ("U,I\n,\n,\n", {}, r"no reading below the heading"),
    "prose": ("The lamp was bright.\nNothing was read.\n", {}, r"no number in it"),
    "comma for both": (
        "U,I\n0,5,98,5\n0,6,97,1\n",
        {},
        r"row 2: '0,5,98,5' uses the comma as separator and, it seems, as decimal mark; separate",
    ),
    "comma for both, no heading": (
        "0,5,98,5\n0,6,97,1\n",
        {"voltage": "1", "current": "2"},
        r"'0,5,98,5' uses the comma as separator .* and a heading line",
    ),
    "mixed decimal marks": (
        "U;I\n0.5;1\n0,6;2\n",
        {},
        r"'0.5' \(row 2, column 'U'\) has a decimal point and '0,6' \(row 3, column 'U'\) a",
    ),
    "thousand or one": (
        "U;I\n1,480;2,345\n-1,470;2,100\n",
        {},
        r"row 2, column 'U': '1,480' could be 1.480 or 1480",
    ),
    "two commas and a decimal comma": (
        "U;I\n0,5;1,234,567\n",
        {},
        r"'1,234,567' has more than one decimal mark",
    ),
    "odd groups": (
        "U;I\n1.234,5;1.23.4,5\n",
        {},
        r"row 2, column 'I': '1.23.4,5' has its thousands marked oddly",
    ),
    "point among commas": (
        "U;I\n1,5;2,5\n0.1e3;2\n",
        {},
        r"'0.1e3' .* has a decimal point and '1,5'",
    ),
    "no heading": (
        "0.5,98.5\n0.6,97.1\n",
        {},
        r"no heading names the 2 columns; .* --column voltage=1 --column current=2 \(or 2:mA\)",
    ),
    "two voltages": (
        "U1,U2,I\n1,2,3\n",
        {},
        r"columns 1 'U1' and 2 'U2' may all be voltage; choose with --column voltage=U1 or "
        r"--column voltage=U2, or leave out with --column voltage=none",
    ),
    "one heading twice": (
        "U,U,I\n1,2,3\n",
        {},
        r"choose with --column voltage=1 or --column voltage=2",
    ),
    "text for a number": (
        "U,I/mA\n0.5,98\n0.6,abc\n",
        {},
        r"row 3, column 'I/mA': 'abc' is not a number; write a number or leave the cell blank",
    ),
    "text in the first row": (
        "U,I\n0.5,abc\n0.6,4\n",
        {},
        r"row 2, column 'I': 'abc' is not a number",
    ),
    "text in the only row": ("U,I\n0.5,abc\n", {}, r"row 2, column 'I': 'abc' is not a number"),
    "nan": ("U,I\n0.5,nan\n0.6,4\n", {}, r"row 2, column 'I': 'nan' is not a number"),
    "inf": ("U,I\n0.5,1\n0.6,inf\n", {}, r"row 3, column 'I': 'inf' is not a number"),
    "infinite load": ("R,U\n10,1\ninf,2\n", {}, r"row 3, column 'R': 'inf' is not a resistance"),
    "too large": ("U,I\n1e999,6\n", {}, r"row 2, column 'U': '1e999' is too large"),
    "too large in a resistor": ("R,U\n1e400,6\n", {}, r"'1e400' is too large"),
    "too large in kilohms": ("R,U\n9" + "0" * 320 + "k,6\n", {}, r"'90*\.\.\.' is too large"),
    "digits grouped as in programs": ("U,I\n1_0,6\n", {}, r"'1_0' is not a number"),
    "over range": ("U,I\n0.5,OL\n", {}, r"'OL' is not a number"),
    "milli or mega": (
        "R;U\n10m;1\n",
        {},
        r"row 2, column 'R': resistance '10m' is milli or mega; write",
    ),
    "no resistance": (
        "R;U\n10q;1\n100;2\n",
        {},
        r"row 2, column 'R': '10q' is not a resistance; write it like",
    ),
    "negative load": (
        "R;U\n-10;1\n",
        {},
        r"row 2, column 'R': '-10' is negative, which no load is",
    ),
    "comma among points": (
        'U;I\n0.5;"1,5,5"\n',
        {},
        r"row 2, column 'I': '1,5,5' has its thousands marked oddly",
    ),
    "name against unit": (
        "U (mA),I\n1,2\n",
        {},
        r"column .U \(mA\).: it is headed voltage, but mA is a unit of current; .* --column cur",
    ),
    "code against current": (
        "T (counts),U\n1,2\n",
        {},
        r"it is headed temperature, but counts is a converter's",
    ),
    "unknown unit": (
        "U (foo),I\n1,2\n",
        {},
        r"column 'U \(foo\)': 'foo' is no known unit of voltage; write one of V, mV, uV",
    ),
    "unknown unit in the unit row": (
        "U;I\nmV;mX\n1;2\n",
        {},
        r"column 'I': 'mX' is no known unit of current",
    ),
    "mega for milli": ("U (MV),I\n1,2\n", {}, r"'MV' is no known unit of voltage"),
    "heading against unit row": (
        "U (mV);I\nV;A\n1;2\n",
        {},
        r"its heading says mV and the unit row V",
    ),
    "cell against heading": (
        "U (mV);I\n1 V;2\n",
        {},
        r"row 2, column 'U \(mV\)': '1 V' is in V where mV belongs",
    ),
    "cell of another quantity": (
        "U;I\n1 mA;2\n",
        {},
        r"'1 mA' is in mA where a unit of voltage belongs",
    ),
    "too few cells": (
        "U,I\n0.5,3\n0.6\n0.7,2\n",
        {},
        r"row 3: '0.6' has 1 cell where the table has 2 columns; .* if the comma",
    ),
    "too many cells": ("U;I\n0.5;3\n0.6;1;2\n0.7;2\n", {}, r"row 3: '0.6;1;2' has 3 cells"),
    "blank cells among blanks": (
        "U I R\n1 2 3\n1 3\n4 5 6\n",
        {},
        r"row 3: .* where cells are blank, separate by commas",
    ),
    "fewer names than cells": (
        "U;I\n1;2;3\n1;2;3\n",
        {},
        r"row 1: 'U;I' names 2 columns, but the readings have 3 cells",
    ),
    "more names than cells": (
        "Load resistance Panel voltage\n10k 425\n4k7 550\n",
        {},
        r"names 4 columns, but the readings have 2 cells; give each column one name, and separate",
    ),
    "footer": ("U,I\n1,2\n3,4\nVoc was 1.05 V\n", {}, r"row 4: 'Voc was 1.05 V' has 1 cell"),
    "second heading": ("U,I\n1,2\nU,I\n3,4\n", {}, r"row 3, column 'U': 'U' is not a number"),
    "transposed and unequal": (
        "U 1 2 3\nI 1 2\n",
        {},
        r"unequal numbers of values: voltage 3, current 2",
    ),
    "transposed and text": (
        "U;1;2;3\nI;1;x;3\n",
        {},
        r"row 2 \('I'\), value 2: 'x' is not a number",
    ),
    "day or month first": (
        "time;U\n05/06/2024 12:00;1\n",
        {},
        r"'05/06/2024 12:00' can be read as more than one time",
    ),
    "hours or minutes": (
        "time;U\n12:00;1\n",
        {},
        r"row 2, column 'time': '12:00' can be read as more",
    ),
    "number where a time of day is said to be": (
        "Time (hh:mm:ss);U\n0,5;1\n",
        {},
        r"row 2, column 'Time \(hh:mm:ss\)': '0,5' is no time written as hh:mm:ss",
    ),
    "no such day": (
        "time;U\n2024-02-30T12:00:00;1\n",
        {},
        r"'2024-02-30T12:00:00' is no date and time",
    ),
    "a zone on one of two": (
        "time;U\n2024-02-03T12:00:00Z;1\n2024-02-03T12:00:00;1\n",
        {},
        r"all with a time zone or all without",
    ),
    "past midnight": (
        "time;U\n23:59:00;1\n00:01:00;1\n",
        {},
        r"'00:01:00' is half a day before the reading above",
    ),
    "no such column": (
        "U1,U2\n1,2\n",
        {"voltage": "U3"},
        r"no column 'U3'; the columns are 1 'U1', 2 'U2'; did you mean",
    ),
    "no such number": ("U1,U2\n1,2\n", {"voltage": "3"}, r"no column '3'"),
    "no such quantity": (
        "U1,U2\n1,2\n",
        {"volts": "U1"},
        r"'volts' is no quantity of a table; choose from voltage, current",
    ),
    "no such unit": (
        "U1,U2\n1,2\n",
        {"voltage": "U1:mA"},
        r"column 'U1': 'mA' is no unit of voltage; write one of V",
    ),
    "choice against unit": (
        "U1 (V),U2\n1,2\n",
        {"current": "U1"},
        r"column 'U1 \(V\)' is in V, which is no unit of current",
    ),
    "one column said twice": (
        "a,b\n1,2\n",
        {"voltage": "a", "current": "1"},
        r"column 'a' is said to be voltage and current",
    ),
}
