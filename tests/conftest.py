"""Being here puts this folder on the path of every test, for what several packages' tests share."""
