"""The workshop of the demo: a score, its players, their rooms, pictures and files.

One idea per module, in the order in which they are used:

``score``        the piece and the stray piece, as written notes
``performance``  what human hands make of the notes: when, how long, how loud
``instruments``  the sound of a performance, from a sound font
``signals``      resampling, filters and levels shared by the modules below
``rooms``        impulse responses and background noise of the rooms at home
``plan``         who recorded what, when, where and with which phone
``recording``    one clip's sound: performance, room, phone, clock
``guide``        the guide track and its beat map
``mixing``       the finished mix
``canvas``       colours, paths and shading for the drawings
``counter``      the lamp panel that says which picture this is
``motion``       notes turned into bow, breath, finger and mallet positions
``people``       heads, bodies, arms and hands
``props``        the instruments, as drawn
``furniture``    windows, shelves, plants, lamps and other things in rooms
``interiors``    the rooms, as drawn
``players``      who plays: looks, poses and gestures of each instrument
``scenes``       one picture: room, player, stand and panel
``files``        sound and pictures into mp4, mov and webm
``truth``        what a program that listens and looks should find
"""
