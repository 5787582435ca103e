"""by_hand."""

from inspect_app.ui.bench import head, the_job

job = the_job()
head(job, "by_hand.py")
