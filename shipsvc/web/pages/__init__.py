"""The pages: the same questions as the API's, asked of the same functions, answered as HTML.

Nothing is computed in a template. A page works without a script; who is signed in is known by a cookie.
"""
