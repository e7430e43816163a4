"""The pages for the customer and for the shelf.

`build_view` takes the facts out of a job, `render` makes one HTML text of them. Both are pure
but for reading the job's files; `Job.save_report` puts the text into the folder.
"""
