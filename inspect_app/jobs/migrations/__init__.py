"""The store's forms, one step a file, run by `inspect_app.jobs.opening`."""
