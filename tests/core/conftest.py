"""Tables of the invented bench app, and callers of its API."""

from collections.abc import Iterator

import pytest
from django.conf import settings
from django.core.cache import cache
from django.db import connection
from rest_framework.test import APIClient

from core.models import append_only_sql
from tests.core.benches import Bench, BenchViewSet, Entry, Part


@pytest.fixture(scope="session")
def _bench_tables(django_db_setup: None, django_db_blocker) -> Iterator[None]:
    models = (Bench, Part, Entry)
    with django_db_blocker.unblock():
        with connection.schema_editor() as editor:
            for model in models:
                editor.create_model(model)
            editor.execute(append_only_sql(Entry._meta.db_table).sql)
            for model in models:
                table = model._meta.db_table
                editor.execute(f"GRANT ALL ON {table} TO {settings.FALLOW_APP_ROLE}")
        connection.close()
    yield
    with django_db_blocker.unblock():
        with connection.schema_editor() as editor:
            for model in reversed(models):
                editor.delete_model(model)
        connection.close()


@pytest.fixture
def benches(_bench_tables: None, db: None) -> None:
    """Bench tables; what the test writes is rolled back."""


@pytest.fixture
def committed_benches(_bench_tables: None, transactional_db: None) -> Iterator[None]:
    """Bench tables; what the test writes is really committed, and removed afterwards."""
    yield
    Part.objects.all().delete()
    Bench.objects.all().delete()


@pytest.fixture(autouse=True)
def _fresh() -> None:
    cache.clear()
    BenchViewSet.log.clear()


def caller(user: str = "ada", *, chain: int = 1, may: str = "bench.read,bench.write") -> APIClient:
    client = APIClient(raise_request_exception=False)
    client.credentials(HTTP_AUTHORIZATION=f"Test {user} {chain} {may}")
    return client


@pytest.fixture
def client() -> APIClient:
    """Ada of chain 1, who may do everything."""
    return caller()
