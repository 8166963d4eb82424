"""The pages: server-rendered HTML, each page with a JSON twin under the same path plus ``.json``."""
