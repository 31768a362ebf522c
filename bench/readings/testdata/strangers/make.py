# Ten CSV files in ten habits of loggers, spreadsheets and people, of one invented half hour of the invented launch petrel,
# and beside each (want.json) what a right reader makes of it in SI. Written without sight of the reader.
import json, math, datetime as dt, random, os
random.seed(16)
def course(n, step):
    rows=[]; T=15.0; H=15.0
    lever=lambda t: 0.0 if t<60 else 0.4 if t<400 else 0.8 if t<900 else 0.55
    v=0.0
    for i in range(n):
        t=i*step; l=lever(t)
        v+= (2.9*l**0.6-v)*min(1,step/25) if l>0 else -v*min(1,step/25)
        ib=2.0+118*l**2.6; im=ib*(1.0 if l==0 else 1/l**0.8)
        V=52.3-0.021*ib-0.0004*t/10; rpm=1450*l**0.85
        T+=step/1500*(0.9*im-(T-15)); H+=step/900*(0.3*im-(H-15))
        rows.append(dict(t=t,lever=l,V=round(V,2),Ib=round(ib,1),Im=round(im,1),rpm=round(rpm),v=round(v,2),Tm=round(T,1),Ts=round(H,1)))
    return rows
want={}
def out(name, text, enc='utf-8', **w):
    open(name,'wb').write(text.encode(enc)); want[name]=w
base=dt.datetime(2026,6,14,14,3,5)
dec=lambda x,n: (f'{x:.{n}f}').replace('.',',')
col=lambda rows,k,f=lambda x:x:[round(f(r[k]),6) for r in rows]
K=lambda x:x+273.15
rpm=lambda x:x*2*math.pi/60
# 1 spreadsheet of a country with decimal commas, Latin-1, CRLF, dates with dots
r=course(31,60)
s='Time;Battery voltage (V);Battery current (A);Boat speed (km/h);Motor temperature (°C)\r\n'
for x in r: s+=f"{(base+dt.timedelta(seconds=x['t'])).strftime('%d.%m.%Y %H:%M:%S')};{dec(x['V'],2)};{dec(x['Ib'],1)};{dec(x['v']*3.6,3)};{dec(x['Tm'],1)}\r\n"
out('01-commas.csv',s,'latin-1',rows=31,t=col(r,'t'),battery_voltage=col(r,'V'),battery_current=col(r,'Ib'),boat_speed=col(r,'v'),motor_temperature=col(r,'Tm',K))
# 2 American spreadsheet: month first, AM/PM, Fahrenheit, knots, quoted header
r=course(31,60)
s='"Date/Time","Batt V","Batt A","SOG (kn)","Controller temp (°F)"\n'
for x in r: s+=f"{(base+dt.timedelta(seconds=x['t'])).strftime('%m/%d/%Y %I:%M:%S %p')},{x['V']},{x['Ib']},{x['v']/0.514444:.3f},{x['Ts']*1.8+32:.2f}\n"
out('02-ampm.csv',s,rows=31,t=col(r,'t'),battery_voltage=col(r,'V'),battery_current=col(r,'Ib'),boat_speed=col(r,'v'),controller_temperature=col(r,'Ts',K))
# 3 telemetry with tabs, plain seconds, 10 Hz, lever in per cent, units in square brackets
r=course(1200,0.1)
s='t [s]\tLever [%]\tU_batt [V]\tI_batt [A]\tI_motor [A]\tn [1/min]\tT_heatsink [°C]\n'
for x in r: s+=f"{x['t']:.1f}\t{x['lever']*100:.0f}\t{x['V']}\t{x['Ib']}\t{x['Im']}\t{x['rpm']}\t{x['Ts']}\n"
out('03-tabs.tsv',s,rows=1200,t=col(r,'t'),lever=col(r,'lever'),battery_voltage=col(r,'V'),battery_current=col(r,'Ib'),motor_current=col(r,'Im'),motor_speed=col(r,'rpm',rpm),controller_temperature=col(r,'Ts',K))
# 4 ISO times with zone and milliseconds, names with underscores and the unit last, BOM
r=course(360,5)
s='\ufefftimestamp,battery_voltage_V,battery_current_A,motor_current_A,motor_speed_rpm,heatsink_temp_C\n'
for x in r: s+=f"{(base+dt.timedelta(seconds=x['t'])).strftime('%Y-%m-%dT%H:%M:%S')}.250+02:00,{x['V']},{x['Ib']},{x['Im']},{x['rpm']},{x['Ts']}\n"
out('04-iso.csv',s,rows=360,t=col(r,'t'),battery_voltage=col(r,'V'),battery_current=col(r,'Ib'),motor_current=col(r,'Im'),motor_speed=col(r,'rpm',rpm),controller_temperature=col(r,'Ts',K))
# 5 names in the first line, units in the second; time of day only, over midnight; gaps left blank
r=course(40,30)
late=dt.datetime(2026,6,14,23,52,0)
s='Time,Voltage,Current,Motor current,Speed over ground\nhh:mm:ss,V,A,A,m/s\n'
for i,x in enumerate(r):
    v='' if i%4 else f"{x['v']}"
    s+=f"{(late+dt.timedelta(seconds=x['t'])).strftime('%H:%M:%S')},{x['V']},{x['Ib']},{x['Im']},{v}\n"
out('05-units-below.csv',s,rows=40,t=col(r,'t'),battery_voltage=col(r,'V'),battery_current=col(r,'Ib'),motor_current=col(r,'Im'),boat_speed=[x['v'] if i%4==0 else None for i,x in enumerate(r)])
# 6 a battery monitor: lines before the header, current out of the battery negative, a column of remarks
r=course(90,20)
s='Battery monitor log\nDevice: shunt 500 A / 50 mV\nExported: 2026-06-14 18:00\n\nDate;Time;Voltage (V);Current (A);Consumed (Ah);Remark\n'
q=0
for i,x in enumerate(r):
    q+=x['Ib']*20/3600; d=base+dt.timedelta(seconds=x['t'])
    s+=f"{d.strftime('%Y-%m-%d')};{d.strftime('%H:%M:%S')};{x['V']};{-x['Ib']};{-q:.2f};{'lever up' if x['t']==60 else ''}\n"
out('06-monitor.csv',s,rows=90,t=col(r,'t'),battery_voltage=col(r,'V'),battery_current=col(r,'Ib'),note='the current is negative while the bank delivers: turned round and said, or asked')
# 7 milliseconds since 1970, millivolts and milliamperes, no spaces, last column without header (trailing comma)
r=course(200,2)
e=int(dt.datetime(2026,6,14,12,3,5,tzinfo=dt.timezone.utc).timestamp()*1000)
s='epoch_ms,vbat_mV,ibat_mA,imot_mA,\n'
for x in r: s+=f"{e+int(x['t']*1000)},{round(x['V']*1000)},{round(x['Ib']*1000)},{round(x['Im']*1000)},\n"
out('07-epoch.csv',s,rows=200,t=col(r,'t'),battery_voltage=col(r,'V'),battery_current=col(r,'Ib'),motor_current=col(r,'Im'))
# 8 a person's table: minutes:seconds, a unit in each cell, dashes and question marks for what was not read, remarks
r=[x for x in course(31,60) if x['t'] in (0,120,240,360,480,600,720,900,1080,1260,1500,1800)]
s='min:sec, lever, battery volts, battery amps, speed by phone, motor housing (infrared)\n'; ir=[]
for i,x in enumerate(r):
    T='-' if i not in (5,11) else f"{x['Tm']:.0f} °C"; ir.append(K(round(x['Tm'])) if i in (5,11) else None)
    A='?' if i==3 else f"{x['Ib']:.0f} A"
    s+=f"{x['t']//60}:{x['t']%60:02d}, {x['lever']*100:.0f} %, {x['V']:.1f} V, {A}, {x['v']*3.6:.1f} km/h, {T}\n"
out('08-by-hand.csv',s,rows=12,t=col(r,'t'),lever=col(r,'lever'),battery_voltage=[round(x['V'],1) for x in r],battery_current=[None if i==3 else round(x['Ib']) for i,x in enumerate(r)],boat_speed=[round(round(x['v']*3.6,1)/3.6,6) for x in r],motor_temperature=ir)
# 9 rows doubled and out of order, a row of other length, a totals row at the end, spaces after semicolons, hours as decimal
r=course(60,30)
lines=[f"{(base+dt.timedelta(seconds=x['t'])).strftime('%Y/%m/%d %H:%M:%S')}; {x['V']}; {x['Ib']}; {x['rpm']}" for x in r]
l2=lines[:]; l2[10],l2[11]=l2[11],l2[10]; l2.insert(20,l2[20]); l2.insert(33,'2026/06/14 14:19'); 
s='Date and time; Bank voltage in V; Bank current in A; Motor rpm\n'+'\n'.join(l2)+f"\nAverage; {sum(x['V'] for x in r)/60:.2f}; {sum(x['Ib'] for x in r)/60:.1f}; \n"
out('09-disorder.csv',s,rows=60,t=col(r,'t'),battery_voltage=col(r,'V'),battery_current=col(r,'Ib'),motor_speed=col(r,'rpm',rpm),note='left out: one doubled row, one cut short, the row of averages')
# 10 Unicode text of a spreadsheet (UTF-16 with BOM, tabs), thousands with points or spaces, elapsed h:mm:ss, decimal commas, kilowatts
r=course(61,30)
s='Elapsed (h:mm:ss)\tBattery voltage [V]\tBattery current [A]\tMotor speed [rpm]\tBattery power [kW]\r\n'
for x in r:
    n=f"{x['rpm']:,}".replace(',','.'); t=x['t']
    s+=f"{t//3600}:{t%3600//60:02d}:{t%60:02d}\t{dec(x['V'],2)}\t{dec(x['Ib'],1)}\t{n}\t{dec(x['V']*x['Ib']/1000,2)}\r\n"
out('10-unicode-text.txt','\ufeff'+s,'utf-16-le',rows=61,t=col(r,'t'),battery_voltage=col(r,'V'),battery_current=col(r,'Ib'),motor_speed=col(r,'rpm',rpm))
json.dump(want,open('want.json','w'),indent=None,separators=(',',':'))
