"""Web server: pages and a JSON API. Pages are rendered on the server, with little script and no external resources.

`app.ROUTES` lists every way in with the roles that may take it.
"""
