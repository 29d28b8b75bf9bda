"""Small tables in the habits of people who measure, each with what it says.

All readings are invented. The expected values are worked out by hand from the text.
"""

NAN, INF = float("nan"), float("inf")

# name: (text, {quantity: values in SI})
READ = {
    "comma": (
        "voltage,current\n0.5,0.06\n0.6,0.05\n",
        {"voltage": [0.5, 0.6], "current": [0.06, 0.05]},
    ),
    "semicolon with decimal comma": (
        "U (mV);I (mA)\n425;60,2\n550;60,3\n",
        {"voltage": [0.425, 0.55], "current": [0.0602, 0.0603]},
    ),
    "tab": ("U/V\tI/mA\n1.5\t20\n1.4\t21\n", {"voltage": [1.5, 1.4], "current": [0.02, 0.021]}),
    "blanks with decimal comma": (
        "U/V I/mA\n0,5 98,5\n0,6 97,1\n",
        {"voltage": [0.5, 0.6], "current": [0.0985, 0.0971]},
    ),
    "blanks after the comma": (
        "U, I\n0.5, 0.1\n0.6, 0.2\n",
        {"voltage": [0.5, 0.6], "current": [0.1, 0.2]},
    ),
    "symbols alone": (
        "V,I,P,R\n2,0.5,1,4\n",
        {"voltage": [2], "current": [0.5], "power": [1], "load": [4]},
    ),
    "units alone": (
        "mV,mA,mW\n500,20,10\n",
        {"voltage": [0.5], "current": [0.02], "power": [0.01]},
    ),
    "unit row": (
        "U;I;P\nmV;mA;mW\n425;60,2;25,6\n",
        {"voltage": [0.425], "current": [0.0602], "power": [0.0256]},
    ),
    "unit row in brackets, one cell blank": (
        "No;U;I\n;[mV];[mA]\n1;425;60\n",
        {"voltage": [0.425], "current": [0.06]},
    ),
    "unit row below other symbols": ("U,I\nV,A\n1,2\n", {"voltage": [1], "current": [2]}),
    "square brackets": ("Voltage [V],Current [uA]\n1,200\n", {"voltage": [1], "current": [2e-4]}),
    "unit after in": ("P in mW,U in V\n30,2\n", {"power": [0.03], "voltage": [2]}),
    "unit after underscore": (
        "U_mV,I_mA,R_ohm,P_mW,G_W_m2,temp_cell_degC\n500,20,25,10,800,41\n",
        {
            "voltage": [0.5],
            "current": [0.02],
            "load": [25],
            "power": [0.01],
            "irradiance": [800],
            "temperature": [41],
        },
    ),
    "unit after a blank": (
        "Panel voltage mV,Load current mA\n500,20\n",
        {"voltage": [0.5], "current": [0.02]},
    ),
    "quoted headings with a comma": (
        '"U, mV","I, mA"\n500,20\n',
        {"voltage": [0.5], "current": [0.02]},
    ),
    "quoted decimal commas": (
        '"U (V)","I (A)"\n"0,5","0,25"\n',
        {"voltage": [0.5], "current": [0.25]},
    ),
    "blanks between quoted cells": (
        '"U/V", "I/A"\n"0.5", "0.25"\n',
        {"voltage": [0.5], "current": [0.25]},
    ),
    "line break in a quoted heading": (
        '"U\n(mV)","I\n(mA)"\n500,20\n',
        {"voltage": [0.5], "current": [0.02]},
    ),
    "one column": ("U\n0,5\n0,6\n", {"voltage": [0.5, 0.6]}),
    "resistor values": (
        "R;U\n10k;1,48\n4k7;1,4\n0R22;0,1\n470;0,9\n1M;1,5\n2.2k;1,3\n".replace("2.2k", "2,2k"),
        {"load": [1e4, 4700, 0.22, 470, 1e6, 2200], "voltage": [1.48, 1.4, 0.1, 0.9, 1.5, 1.3]},
    ),
    "load in kilohms": ("R (kΩ),U\n4.7,1\n0.47,0.5\n", {"load": [4700, 470], "voltage": [1, 0.5]}),
    "ohm sign of its own": ("R/\u2126;U/V\n33;1,5\n", {"load": [33], "voltage": [1.5]}),
    "no load and a bare wire": (
        "R U I\nopen 1.5 0\n10 1 0.1\nshort 0 0.12\n",
        {"load": [INF, 10, 0], "voltage": [1.5, 1, 0], "current": [0, 0.1, 0.12]},
    ),
    "German": (
        "Spannung (V);Strom (mA);Leistung (mW);Lastwiderstand (Ω);Temperatur (°C)\n"
        "0,5;20;10;25;31,5\n",
        {"voltage": [0.5], "current": [0.02], "power": [0.01], "load": [25], "temperature": [31.5]},
    ),
    "French": (
        "Tension (V);Intensité (mA);Puissance (mW);Résistance (Ω);Éclairement (lx)\n"
        "0,5;20;10;25;900\n",
        {"voltage": [0.5], "current": [0.02], "power": [0.01], "load": [25], "illuminance": [900]},
    ),
    "Spanish": (
        "Tensión (V);Corriente (mA);Potencia (mW);Ángulo (°);Distancia (cm)\n0,5;20;10;30;45\n",
        {"voltage": [0.5], "current": [0.02], "power": [0.01], "angle": [30], "distance": [0.45]},
    ),
    "the other quantities": (
        "t (min),E (lx),G (mW/cm2),T (K),angle (deg),d (mm),U\n2,1200,50,300.15,45,250,1\n",
        {
            "time": [120],
            "illuminance": [1200],
            "irradiance": [500],
            "temperature": [27],
            "angle": [45],
            "distance": [0.25],
            "voltage": [1],
        },
    ),
    "light by its unit": ("E in W/m²;U in V\n420;1,5\n", {"irradiance": [420], "voltage": [1.5]}),
    "Fahrenheit": ("T (°F),U\n212,1\n", {"temperature": [100], "voltage": [1]}),
    "converter codes": (
        "U_counts,I_adc\n1023,512\n",
        {"voltage_code": [1023], "current_code": [512]},
    ),
    "codes by their unit": (
        "U [LSB],I [LSB]\n1023,512\n",
        {"voltage_code": [1023], "current_code": [512]},
    ),
    "comments": (
        "# shed, work lamp\n% panel 3\nU,I\n1,2\n// a cloud\n3,4\n",
        {"voltage": [1, 3], "current": [2, 4]},
    ),
    "heading behind a comment sign": (
        "# U (V) I (mA)\n1.0 2.0\n3.0 4.0\n",
        {"voltage": [1, 3], "current": [0.002, 0.004]},
    ),
    "preamble": (
        "Jetty lamp, shed\nDate: 2024-05-03 10:00\nLamp;100 W\nTemp;23,5\n\n"
        "U (mV);I (mA)\n425;60,2\n",
        {"voltage": [0.425], "current": [0.0602]},
    ),
    "preamble with words for quantities": (
        "voltage, current\nas read by Kim\nU (mV),I (mA)\n425,60.2\n",
        {"voltage": [0.425], "current": [0.0602]},
    ),
    "separator declared": ("sep=;\nU;I\n1,5;2\n", {"voltage": [1.5], "current": [2]}),
    "Markdown": (
        "| U (mV) | I (mA) |\n|-------:|:------:|\n| 425 | 60.2 |\n| 550 |  |\n",
        {"voltage": [0.425, 0.55], "current": [0.0602, NAN]},
    ),
    "aligned with blanks": (
        "Load resistance   U / mV   I in mA\n"
        "10k               425      60.2\n4k7               550      60.3\n",
        {"load": [1e4, 4700], "voltage": [0.425, 0.55], "current": [0.0602, 0.0603]},
    ),
    "blanks within headings": (
        "R U (mV) I (mA)\n10k 425 60.2\n",
        {"load": [1e4], "voltage": [0.425], "current": [0.0602]},
    ),
    "blank cells and dashes": (
        "R;U;I\n10k;;0,3\n4k7;1;-\n;;\n100;2;n/a\n",
        {"load": [1e4, 4700, 100], "voltage": [NAN, 1, 2], "current": [0.3, NAN, NAN]},
    ),
    "blank lines": ("U,I\n\n1,2\n\n\n3,4\n\n", {"voltage": [1, 3], "current": [2, 4]}),
    "cells beyond the last heading are blank": (
        "U,I,\n1,2,\n3,4,\n",
        {"voltage": [1, 3], "current": [2, 4]},
    ),
    "a column of counting numbers without a name": (
        ",U,I\n0,1,2\n1,3,4\n",
        {"voltage": [1, 3], "current": [2, 4]},
    ),
    "a column of words": ("Point;U;I\nP1;1;2\nP2;3;4\n", {"voltage": [1, 3], "current": [2, 4]}),
    "other columns": (
        "Voc,Battery voltage (V),U,I,remark\n1,12.5,0.5,0.1,cloud\n",
        {"voltage": [0.5], "current": [0.1]},
    ),
    "units in the cells": (
        "U,I\n425 mV,60.2 mA\n1.2 V,59mA\n",
        {"voltage": [0.425, 1.2], "current": [0.0602, 0.059]},
    ),
    "thousands and decimals": (
        "U (mV);I (uA)\n1.480,5;2.345,1\n1.470;998\n",
        {"voltage": [1.4805, 1.47], "current": [2.3451e-3, 9.98e-4]},
    ),
    "thousands with an apostrophe": (
        "U (mV);I (mA)\n1'480.5;2.5\n",
        {"voltage": [1.4805], "current": [0.0025]},
    ),
    "thousands with a narrow blank": (
        "U (mV);I (mA)\n1\u202f480,5;2,5\n",
        {"voltage": [1.4805], "current": [0.0025]},
    ),
    "exponents": ("U,I\n5.0E-01,2e-3\n", {"voltage": [0.5], "current": [0.002]}),
    "true minus signs": (
        "U;I\n−0,2;0,76\n–0,1;0,75\n",
        {"voltage": [-0.2, -0.1], "current": [0.76, 0.75]},
    ),
    "ISO dates": (
        "time,U,I\n2024-05-03T12:00:00,1,2\n2024-05-03T12:01:30,1,2\n",
        {"time": [0, 90], "voltage": [1, 1], "current": [2, 2]},
    ),
    "ISO dates among blanks": (
        "time U I\n2024-05-03 12:00:00 1 2\n2024-05-03 12:00:30 1 2\n",
        {"time": [0, 30], "voltage": [1, 1], "current": [2, 2]},
    ),
    "dates with strokes, year first": (
        "time;U\n2024/05/03 12:00:00;1\n2024/05/03 12:00:10;2\n",
        {"time": [0, 10], "voltage": [1, 2]},
    ),
    "hours and minutes, as the heading says": (
        "Time (hh:mm),U\n9:30,1\n10:15,2\n",
        {"time": [0, 2700], "voltage": [1, 2]},
    ),
    "minutes and seconds, as the heading says": (
        "t [mm:ss],U\n09:30,1\n10:15,2\n",
        {"time": [0, 45], "voltage": [1, 2]},
    ),
    "zone in the heading": (
        "time (UTC),U\n2024-05-03T12:00,1\n2024-05-03T12:01,2\n",
        {"time": [0, 60], "voltage": [1, 2]},
    ),
    "a unit of temperature that nobody knows": ("T (foo),U\n20,1\n", {"voltage": [1]}),
    "times of day": (
        "Zeit;U;I\n11:59:30;1,5;2\n12:00:15;1,5;2\n",
        {"time": [0, 45], "voltage": [1.5, 1.5], "current": [2, 2]},
    ),
    "transposed, unit on the row below": (
        "R 10k 1k 100 10\nen Ω\nU 1.52 1.41 0.47 0.13\nen V\nI 0.15 1.38 4.02 4.11\nen mA\n",
        {
            "load": [1e4, 1000, 100, 10],
            "voltage": [1.52, 1.41, 0.47, 0.13],
            "current": [1.5e-4, 1.38e-3, 4.02e-3, 4.11e-3],
        },
    ),
    "transposed, unit in the second column": (
        "U;mV;425;550\nI;mA;60,2;60,3\n",
        {"voltage": [0.425, 0.55], "current": [0.0602, 0.0603]},
    ),
    "transposed, unit in the label": (
        "Reading,1,2,3\nU (mV),425,,560\nI (mA),60.2,60.3,59\n",
        {"voltage": [0.425, NAN, 0.56], "current": [0.0602, 0.0603, 0.059]},
    ),
    "transposed, blanks": (
        "U / mV 425 550\nI in mA 60.2 60.3\n",
        {"voltage": [0.425, 0.55], "current": [0.0602, 0.0603]},
    ),
    "a row that is not written to its end": (
        "U,I\n1,2\n3,4\n5",
        {"voltage": [1, 3], "current": [2, 4]},
    ),
    "no line end after the last row": ("U,I\n1,2\n3,4", {"voltage": [1, 3], "current": [2, 4]}),
    "rows in the order taken": (
        "U,I\n5,1\n2,3\n2,2\n",
        {"voltage": [5, 2, 2], "current": [1, 3, 2]},
    ),
    "sweeps by label": (
        "run,U,I\na,1,2\na,2,1\nb,1,3\n",
        {"sweep": [1, 1, 2], "voltage": [1, 2, 1], "current": [2, 1, 3]},
    ),
}
