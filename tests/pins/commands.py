"""The command lines of the pins, and nothing else: an option that is renamed is renamed here.

A line's place in its list is the number of its file, so new lines go to the end. `moved` does not
compare the lines themselves: a renamed option alone moves nothing.
"""

JSON = "--json"
WITH_JSON = frozenset(
    ("plan", "characterize", "load", "translate", "lamp", "angle", "check", "track", "sun")
)

_LABEL = "--datasheet ../datasheets/jetty_10W.toml"
_JETTY = "--bench jetty.toml"
_BY_JETTY = "--sweep jetty_sweep.csv --sweep-bench jetty.toml"
_LONDON = "--latitude 51.5 --longitude 0 --timezone Europe/London"
_LOG = "--bench log.toml --sweep facing.csv"
_SAME = "--sweep shed_sweep.csv --same-light"

#: In the folder of the examples.
EXAMPLES = [
    # README.md, "A first result" and "From the shed to the jetty"
    "characterize shed_sweep.csv --bench bench.toml",
    f"plan {_LABEL} --irradiance 140 --temperature 33",
    "characterize shed_sweep.csv",
    "load shed_sweep.csv",
    "lamp --measured 1.200 --u-measured 0.016 --temperature 33",
    "angle shed_angle.csv --sweep shed_sweep.csv",
    "check shed_check.csv",
    f"translate jetty_sweep.csv {_JETTY} {_LABEL}",
    f"sun {_LONDON} --day 2026-06-21 {_LABEL} --load 33",
    "report bench.toml --out shed.html",
    # README.md, "Your own panel"
    "start my-panel",
    # examples/README.md
    "lamp --bench bench.toml --temperature 33 --measured 1.200 --u-measured 0.016",
    "lamp --bench bench.toml --temperature 33 --load 100 --table",
    "lamp --sweep jetty_sweep.csv --sweep-bench jetty.toml --bench bench.toml --temperature 33",
    # start, simulate
    "start sunny --light sun --front-end converter",
    "start my-panel --front-end converter",
    "simulate --seed 3 --out made.csv --truth truth.json",
    "simulate --bench jetty.toml --seed 4 --order random --drift 3 --out a.csv --truth b.json",
    "simulate --isc 0.6 --voc 21.5 --imp 0.55 --vmp 17.5 --fault stray_reading --truth t.json",
    "simulate --parameters 0.085,1.5e-9,1.7,4400,1.03 --loads 0,10,100,220,1k,open --truth t.json",
    "simulate --sweep shed_sweep.csv --cells 36 --temperature 33 --irradiance 140 --truth t.json",
    "simulate --fault list",
    # characterize
    f"characterize jetty_sweep.csv {_JETTY}",
    f"characterize shed_sweep.csv jetty_sweep.csv {_JETTY}",
    f"characterize jetty_sweep.csv jetty_sweep.csv {_JETTY} --together",
    "characterize shed_sweep.csv --trials 2000 --seed 7",
    "characterize shed_sweep.csv --correct-loads",
    "characterize shed_sweep.csv --temperature 30 --irradiance 140 --load 220",
    "characterize shed_check.csv --cells 36 --temperature 33",
    "characterize no_such_file.csv",
    # load
    f"load jetty_sweep.csv {_JETTY}",
    f"load shed_sweep.csv jetty_sweep.csv {_JETTY} --weight 3 --weight 1",
    "load shed_sweep.csv --series E96 --tolerance 1",
    "load shed_sweep.csv --series E6 --ambient 60 --margin 3 --derate-from 40 --derate-to 125",
    "load shed_sweep.csv --drawer 47,100,150,470",
    "load --vmp 17.6 --imp 0.57",
    # translate
    f"translate jetty_sweep.csv {_JETTY} --to-irradiance 140 --to-temperature 33",
    f"translate shed_sweep.csv --irradiance 140 {_LABEL}",
    "translate shed_sweep.csv --irradiance 140 --to-irradiance 855 --to-temperature 46",
    f"translate jetty_sweep.csv shed_sweep.csv {_JETTY} --second-bench bench.toml "
    "--second-irradiance 140",
    f"translate jetty_sweep.csv {_JETTY} --technology CdTe",
    "translate shed_sweep.csv",
    # lamp
    f"lamp {_LABEL} --lux 6000 --source halogen --distance 0.35 --uniform",
    f"lamp {_LABEL} --irradiance 300 --source 'halogen 3000 K' --temperature 40 --load 220",
    f"lamp {_LABEL} --watts 100 --source led --distance 0.5 --shape disc --size 0.1 --tilt 20",
    f"lamp {_LABEL} --lux 900 --source FL2 --temperature 25 --measured 0.3",
    # angle
    "angle --sweep shed_sweep.csv --load 100 --load 220",
    f"angle {_LABEL} --load 33 --irradiance 870 --temperature 46 --parallel",
    "angle shed_angle.csv --sweep shed_sweep.csv --parallel",
    "angle shed_angle.csv --sweep shed_sweep.csv --zero 4 --stray 0.06 --iam ashrae",
    f"angle shed_angle.csv {_LABEL} --irradiance 140 --temperature 33 --about height",
    f"angle shed_angle.csv {_BY_JETTY}",
    # check
    f"check {_LABEL} --power 0.2 --load 33 --irradiance 800 --bench jetty.toml",
    f"check {_LABEL} --voltage 15.9 --current 0.0726 --irradiance 140 --temperature 33",
    f"check {_LABEL} --voltage 15.9 --load 220 --lux 5700 --source halogen",
    f"check {_LABEL} --power 1.16 --load max --irradiance 140 --u-irradiance 7 --temperature 33",
    f"check {_LABEL} --voltage 18.5 --load open --irradiance 140 --outdoors",
    f"check {_LABEL} --current 0.85 --load short --irradiance 140 --temperature 33",
    "check --sweep shed_sweep.csv --share 1 --voltage 15.9 --load 220",
    "check --sweep shed_sweep.csv --share 0.5 --u-share 0.02 --power 0.5 --load 220 --angle 20",
    f"check shed_check.csv {_BY_JETTY}",
    f"check shed_check.csv {_LABEL} --irradiance 140 --u-irradiance 10 --temperature 33",
    f"check shed_check.csv {_LABEL} --irradiance 870 --temperature 33",
    "check shed_check.csv --column current=current_mA:A",
    "check --sweep shed_sweep.csv --power 1.1",
    # track
    "track shed_track.csv --load 68 --sweep shed_sweep.csv",
    f"track shed_track.csv --load 68 {_SAME}",
    f"track shed_track.csv --load 68 {_LABEL} --facing-power 0.51 --u-facing 3",
    f"track jetty_track.csv --sweep jetty_sweep.csv {_JETTY}",
    f"track jetty_track.csv --sweep jetty_sweep.csv {_JETTY} --drive-power 2 --drive-idle 0.1 "
    "--stray 0.14 --tilt-is panel",
    f"track jetty_track.csv {_LABEL} --from 100 --to 320",
    "track shed_track.csv",
    # watch
    f"watch shed_track.csv {_SAME} --load 68 --plain",
    f"watch jetty_track.csv {_LABEL} --irradiance 870 --temperature 46 --bench jetty.toml --plain",
    f"watch shed_track.csv {_LABEL} --lux 5700 --source halogen --load 68 --plain",
    "watch shed_track.csv --load 68 --plain",
    # sun
    f"sun {_LONDON} --day 2026-06-21",
    f"sun {_LONDON} --day 2026-12-21 --mount fixed,tilt=35,azimuth=180 --mount one-axis "
    f"--mount two-axis,error=5,dead_band=2,every=15 --drive 2 --standby 0.1 {_LABEL}",
    f"sun {_LONDON} --year 2025 --step 30 {_LABEL} --load 33 --model perez",
    f"sun --latitude -33 --longitude 151 --timezone UTC --day 2026-03-21 --step 10 --glass none "
    f"--nmot 46 {_LABEL}",
    # plan
    "plan shed_sweep.csv",
    f"plan jetty_sweep.csv {_JETTY} --aim power --count 12 --series E24",
    f"plan {_LABEL} --irradiance 870 --temperature 46 --drawer 10,22,47,100,220,470 --no-ends",
    # batch, report
    "batch shed_sweep.csv --out rows.jsonl",
    f"batch '*_sweep.csv' {_JETTY} --out rows.jsonl",
    "batch '*.csv' --out rows.jsonl",
    "report jetty.toml --out jetty.html --title Jetty",
    "report bench.toml jetty_sweep.csv --out other.html",
]

#: On simulated benches: what a bench must have, and the line, with the facts of the bench.
BENCH = [
    ("", "characterize sweep.csv"),
    ("", "load sweep.csv --series E24"),
    ("stated", "translate sweep.csv --datasheet panel.toml"),
    ("lamp", "translate sweep.csv --irradiance {light} --datasheet panel.toml"),
    ("stated more", "translate sweep.csv --to-irradiance {other} --to-temperature 40"),
    ("", "check check.csv"),
    (
        "stated",
        "check --datasheet panel.toml --voltage {voltage} --load {load} --temperature {celsius}",
    ),
    ("", "check --sweep sweep.csv --share 1 --voltage {voltage} --current {current}"),
    ("lamp", "lamp --measured {power} --temperature {celsius}"),
    ("lamp more", "lamp --load {load} --table"),
    ("", "angle angle.csv --sweep sweep.csv"),
    ("", "plan sweep.csv"),
    ("", "plan --datasheet panel.toml --irradiance {light} --temperature {celsius} --count 6"),
    ("", f"track track.csv {_LOG} --same-light --load {{load}}"),
    ("stated", "track track.csv --datasheet panel.toml --bench log.toml"),
    ("", f"watch track.csv {_LOG} --same-light --load {{load}} --plain"),
    (
        "stated",
        "watch track.csv --datasheet panel.toml --bench log.toml --irradiance {light} --plain",
    ),
    ("", "batch sweep.csv --out rows.jsonl"),
    ("", "simulate --datasheet panel.toml --irradiance {light} --seed 5 --truth truth.json"),
    ("page", "report bench.toml --out page.html"),
]

#: On each table that comes from elsewhere.
UNTIDY = ["characterize {table}", "load {table}"]
