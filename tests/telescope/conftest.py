import pytest

from simulate.telescope import store


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory):
    """Pupils built by these tests are filed apart from the user's own."""
    folder = tmp_path_factory.mktemp("pupils")
    patch = pytest.MonkeyPatch()
    patch.setattr(store, "cache_folder", lambda: folder)
    yield folder
    patch.undo()
