"""wear_map."""

from inspect_app.ui.bench import head, the_job

job = the_job()
head(job, "wear_map.py")
