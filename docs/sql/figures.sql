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
        max(t_us) as last_us
    from steps
    group by vehicle, run
),
-- The display's step: its smallest change from one reading to the next.
changes as (
    select vehicle, run, abs(soc - lag(soc) over (partition by vehicle, run order by t_us)) as change
    from steps
    where soc is not null
),
display as (
    select vehicle, run, coalesce(min(case when change > 1e-9 then change end), 1) as soc_step
    from changes
    group by vehicle, run
),
-- Readings that count: not in the first 30 s after waking, not while charging. `above`: how many so far were above 0.
readings as (
    select
        vehicle, run, t_us, soc, net, charge,
        row_number() over (partition by vehicle, run order by t_us) as number,
        sum(case when soc > 0 then 1 else 0 end) over (
            partition by vehicle, run order by t_us rows between unbounded preceding and current row
        ) as above
    from steps
    where soc is not null and t_us >= 30000000 and phase <> 'charge'
),
-- The charge of the whole displayed range, as far as the run itself shows.
spans as (
    select vehicle, run, min(number) as first_number, max(number) as last_number
    from readings
    group by vehicle, run
),
wholes as (
    select
        s.vehicle, s.run,
        100 * (
            max(case when r.number = s.last_number then r.charge end)
            - max(case when r.number = s.first_number then r.charge end)
        ) / nullif(
            max(case when r.number = s.first_number then r.soc end)
            - max(case when r.number = s.last_number then r.soc end), 0
        ) as whole_c
    from spans s
    join readings r on r.vehicle = s.vehicle and r.run = s.run
    where r.number = s.first_number or r.number = s.last_number
    group by s.vehicle, s.run
),
-- What would be read had nothing been drawn, between the display's ends: it rises only where the charge does not explain it.
-- Held against the least of the last 5 % drawn: over more, the bend of a display looks like a rise.
levels as (
    select r.vehicle, r.run, 100 * r.charge / w.whole_c as drawn, r.soc + 100 * r.charge / w.whole_c as level
    from readings r
    join wholes w on w.vehicle = r.vehicle and w.run = r.run
    where r.soc > 0 and r.soc < 100
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
    select vehicle, run, above, min(t_us) as since_us
    from readings
    where soc <= 0
    group by vehicle, run, above
    having max(t_us) - min(t_us) >= 10000000
),
zero as (
    select vehicle, run, min(since_us) as zero_us
    from held
    group by vehicle, run
),
ends as (
    select
        s.vehicle, s.run,
        max(case when s.t_us = t.first_us then s.net end) as first_net,
        max(case when s.t_us = t.first_us then s.charge end) as first_charge,
        max(case when s.t_us = z.zero_us then s.net end) as zero_net,
        max(case when s.t_us = z.zero_us then s.charge end) as zero_charge
    from steps s
    join totals t on t.vehicle = s.vehicle and t.run = s.run
    join zero z on z.vehicle = s.vehicle and z.run = s.run
    where s.t_us = t.first_us or s.t_us = z.zero_us
    group by s.vehicle, s.run
),
-- Full to empty in one run: from displayed 100 %, without a charge, and without a rise that only `drawdown reduce` can judge.
full_runs as (
    select r.vehicle, r.run
    from readings r
    join display d on d.vehicle = r.vehicle and d.run = r.run
    join totals t on t.vehicle = r.vehicle and t.run = r.run
    join rises u on u.vehicle = r.vehicle and u.run = r.run
    where r.number = 1 and r.soc > 100 - d.soc_step / 2 and t.has_charge = 0 and u.soc_rise <= 4 + d.soc_step
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
    case when f.run is not null then (e.zero_net - e.first_net) / 3.6e6 end as usable_kwh,
    case when f.run is not null then (e.zero_charge - e.first_charge) / 3.6e3 end as usable_ah
from totals t
left join ends e on e.vehicle = t.vehicle and e.run = t.run
left join rises u on u.vehicle = t.vehicle and u.run = t.run
left join full_runs f on f.vehicle = t.vehicle and f.run = t.run
order by t.vehicle, t.run
