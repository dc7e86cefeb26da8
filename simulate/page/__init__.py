"""The page: one screen, served to the browser of the person at this machine. No physics here.

asked     what a request asks for, from words to values
pool      a few threads that compute; the newest request of a client wins
answers   results as the page draws them
guard     who may ask: this machine, this page
server    routes, start and end
static    the page itself: HTML, CSS and modules, nothing from elsewhere
"""
