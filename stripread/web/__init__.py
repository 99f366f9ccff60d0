"""The pages in the technician's hand, and the same acts as JSON: server-rendered, little script, nothing fetched.

`app.ROUTES` lists every way in with the roles that may take it.
"""
