-- One row a run: distance, energy, energy per distance, usable capacity by full discharge; from the view `trace` (docs/many-tests.md).
-- Runs as it stands on DuckDB and on Apache Spark. Fills no gap: `unobserved_s` says how much time was not observed.
with
-- From row to row: what a row adds, and the phase that it belongs to.
steps as (
    select
        vehicle, run, t_us, phase, soc,
        energy_out - energy_in as net,
        charge_out - charge_in as charge,
        energy_out - energy_in - lag(energy_out - energy_in) over in_order as net_step,
        energy_out - lag(energy_out) over in_order as out_step,
        charge_out - charge_in - lag(charge_out - charge_in) over in_order as charge_step,
        distance - lag(distance) over in_order as way_step,
        time_unobserved - lag(time_unobserved) over in_order as unobserved_step
    from trace
    window in_order as (partition by vehicle, run order by t_us)
),
totals as (
    select
        vehicle, run,
        sum(way_step) as distance_m,
        sum(case when phase <> 'charge' then net_step end) as net_j,
        sum(case when phase <> 'charge' then charge_step end) as charge_c,
        sum(case when phase = 'drive' then net_step end) as driving_j,
        sum(case when phase = 'drive' then out_step end) as driving_out_j,
        sum(unobserved_step) as unobserved_s,
        max(case when phase = 'charge' then 1 else 0 end) as has_charge,
        min(t_us) as first_us,
        max(t_us) as last_us,
        min_by(net, t_us) as first_net,
        min_by(charge, t_us) as first_charge
    from steps
    group by vehicle, run
),
readings as (
    select
        vehicle, run, t_us, phase, soc, net, charge,
        abs(soc - lag(soc) over (partition by vehicle, run order by t_us)) as change
    from steps
    where soc is not null
),
-- The display's step: its smallest change from one reading to the next.
display as (
    select vehicle, run, coalesce(min(case when change > 1e-9 then change end), 1) as soc_step
    from readings
    group by vehicle, run
),
-- Readings that count: not in the first 30 s after waking, not while charging. `above`: how many so far were above 0.
counting as (
    select
        vehicle, run, t_us, soc, net, charge,
        sum(case when soc > 0 then 1 else 0 end) over (
            partition by vehicle, run order by t_us rows between unbounded preceding and current row
        ) as above
    from readings
    where t_us >= 30000000 and phase <> 'charge'
),
-- The first reading, and the charge of the whole displayed range as far as the run itself shows.
wholes as (
    select
        vehicle, run,
        min_by(soc, t_us) as first_soc,
        100 * (max_by(charge, t_us) - min_by(charge, t_us)) / nullif(min_by(soc, t_us) - max_by(soc, t_us), 0) as whole_c
    from counting
    group by vehicle, run
),
-- What would be read had nothing been drawn, between the display's ends: it rises only where the charge does not explain it.
-- One row a second is enough. Held against the least of the last 5 % drawn: over more, the bend of a display looks like a rise.
levels as (
    select r.vehicle, r.run, 100 * r.charge / w.whole_c as drawn, r.soc + 100 * r.charge / w.whole_c as level
    from counting r
    join wholes w on w.vehicle = r.vehicle and w.run = r.run
    where r.soc > 0 and r.soc < 100 and r.t_us % 1000000 < 100000
),
lowest as (
    select
        vehicle, run, level,
        min(level) over (partition by vehicle, run order by drawn range between 5 preceding and current row) as least
    from levels
),
rises as (
    select vehicle, run, max(level - least) as soc_rise
    from lowest
    group by vehicle, run
),
-- Stretches at 0 between readings above it: the first that was held for 10 s is displayed 0 %, from its beginning.
held as (
    select vehicle, run, min(t_us) as since_us, min_by(net, t_us) as net, min_by(charge, t_us) as charge
    from counting
    where soc <= 0
    group by vehicle, run, above
    having max(t_us) - min(t_us) >= 10000000
),
zeros as (
    select vehicle, run, min_by(net, since_us) as net, min_by(charge, since_us) as charge
    from held
    group by vehicle, run
),
-- Full to empty in one run: from displayed 100 %, without a charge, and without a rise that only `drawdown reduce` can judge.
full_runs as (
    select w.vehicle, w.run
    from wholes w
    join display d on d.vehicle = w.vehicle and d.run = w.run
    join totals t on t.vehicle = w.vehicle and t.run = w.run
    join rises u on u.vehicle = w.vehicle and u.run = w.run
    where w.first_soc > 100 - d.soc_step / 2 and t.has_charge = 0 and u.soc_rise <= 4 + d.soc_step
)
select
    t.vehicle,
    t.run,
    (t.last_us - t.first_us) / 1e6 as duration_s,
    t.unobserved_s,
    u.soc_rise as soc_rise_percent,
    t.distance_m / 1e3 as distance_km,
    t.net_j / 3.6e6 as net_kwh,
    t.charge_c / 3.6e3 as charge_net_ah,
    t.driving_j / 3.6 / t.distance_m as consumption_wh_per_km,
    t.driving_out_j / 3.6 / t.distance_m as consumption_gross_wh_per_km,
    case when f.run is not null then (z.net - t.first_net) / 3.6e6 end as usable_kwh,
    case when f.run is not null then (z.charge - t.first_charge) / 3.6e3 end as usable_ah
from totals t
left join zeros z on z.vehicle = t.vehicle and z.run = t.run
left join rises u on u.vehicle = t.vehicle and u.run = t.run
left join full_runs f on f.vehicle = t.vehicle and f.run = t.run
order by t.vehicle, t.run
