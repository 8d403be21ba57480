"""Who a sign-in belongs to, asked before it is known to which chain.

The function runs with the rights of its owner, whom the policies of the tables do not bind.
"""

from django.db import migrations

MAKE = """
    CREATE FUNCTION clinics_actor(asked bigint, at timestamptz)
    RETURNS TABLE (id bigint, name varchar, chain_id bigint, held json)
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp
    AS $$
        SELECT own.id, own.name, own.chain_id, (
            SELECT json_agg(json_build_array(membership.role, membership.clinic_id)
                            ORDER BY membership.id)
            FROM clinics_membership AS membership
            WHERE membership.staff_member_id = own.id AND membership.valid_during @> at
        )
        FROM clinics_staffmember AS own WHERE own.user_id = asked AND own.active
    $$
"""


class Migration(migrations.Migration):
    dependencies = [("clinics", "0004_device_policy")]

    operations = [
        migrations.RunSQL(MAKE, "DROP FUNCTION clinics_actor(bigint, timestamptz)"),
    ]
