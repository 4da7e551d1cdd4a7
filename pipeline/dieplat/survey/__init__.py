"""Every measurement over a mosaic and its annotated regions, in one run."""

from dieplat.survey.run import measure_survey, scale_of_picture, write_measurements

__all__ = ["measure_survey", "scale_of_picture", "write_measurements"]
