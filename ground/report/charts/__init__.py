"""One file for each subject of a chart. `SUBJECTS` lists them in the order of the page."""

from ground.report.charts import battery, climb, height, humidity, panel, pressure, temperature, track

SUBJECTS = (
    height.draw, temperature.draw, humidity.draw, panel.draw, pressure.draw, climb.draw, track.draw, battery.draw,
)  # fmt: skip
