"""The steps of reading a planar inductor from a picture; `dieplat.measurement.inductors` joins them."""
