"""For every test: the user's own data folder is out of reach."""

import pytest


@pytest.fixture(scope="session", autouse=True)
def no_data_folder_of_the_user(tmp_path_factory: pytest.TempPathFactory):
    """The history of whoever runs the tests is neither read nor written."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        patch.delenv("XRDFILM_HISTORY", raising=False)
        yield
